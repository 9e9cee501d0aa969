// The handles on the chosen device, the same in every view.
import { dragDevice, dropDevice } from '../moves';
import { app } from '../store';
import type { Vec } from '../types';
import { handle } from './drag';
import { phrase } from '../phrases';

export interface DeviceHandles {
  entry: HTMLButtonElement;
  tip: HTMLButtonElement;
}
/** Handles on both ends of the chosen device. `inSpace`: what a move on the screen means in the patient frame. */
export function deviceHandles(test: string, inSpace: (dx: number, dy: number) => Vec, pixelsPerMm: () => number): DeviceHandles {
  const grip = (which: 'entry' | 'tip'): HTMLButtonElement =>
    handle(
      which === 'entry' ? phrase('page.entry_device') : phrase('page.tip_device'),
      `${test}-${which}`,
      {
        drag: (dx, dy) => {
          if (app.device) dragDevice(app.device, which, inSpace(dx, dy));
        },
        drop: () => void dropDevice(),
      },
      pixelsPerMm,
    );
  const handles = { entry: grip('entry'), tip: grip('tip') };
  handles.entry.classList.add('entry');
  return handles;
}
