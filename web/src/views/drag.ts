// Pointers on a view: one finger or button, two fingers, wheel. Says what happened in pixels; knows nothing else.
import { phrase } from '../phrases';

export interface Drag {
  /** False: not for this view; nothing follows. */
  start?(x: number, y: number, event: PointerEvent): boolean | void;
  move?(dx: number, dy: number, x: number, y: number, event: PointerEvent): void;
  end?(x: number, y: number, moved: boolean, event: PointerEvent): void;
  pinch?(factor: number, dx: number, dy: number, x: number, y: number): void;
  wheel?(steps: number, event: WheelEvent, x: number, y: number): void;
}

export function follow(element: HTMLElement, on: Drag): void {
  const fingers = new Map<number, [number, number]>();
  let moved = false;
  let active = false;
  let start: [number, number] = [0, 0];
  const local = (e: { clientX: number; clientY: number }): [number, number] => {
    const b = element.getBoundingClientRect();
    return [e.clientX - b.left, e.clientY - b.top];
  };
  element.style.touchAction = 'none';
  element.addEventListener('pointerdown', (e) => {
    if ((e.target as Element).closest('button, input, select, a, label') && e.target !== element) return;
    const p = local(e);
    if (fingers.size === 0) {
      if (on.start?.(p[0], p[1], e) === false) return;
      active = true;
      moved = false;
      start = p;
    }
    fingers.set(e.pointerId, p);
    element.setPointerCapture(e.pointerId);
    element.focus({ preventScroll: true });
    e.preventDefault();
  });
  element.addEventListener('pointermove', (e) => {
    const before = fingers.get(e.pointerId);
    if (!before || !active) return;
    const p = local(e);
    if (fingers.size >= 2) {
      const other = [...fingers.entries()].find(([id]) => id !== e.pointerId)![1];
      const was = Math.hypot(before[0] - other[0], before[1] - other[1]);
      const is = Math.hypot(p[0] - other[0], p[1] - other[1]);
      fingers.set(e.pointerId, p);
      moved = true;
      on.pinch?.(was > 4 ? is / was : 1, (p[0] - before[0]) / 2, (p[1] - before[1]) / 2, (p[0] + other[0]) / 2, (p[1] + other[1]) / 2);
      return;
    }
    if (!moved && Math.hypot(p[0] - start[0], p[1] - start[1]) < 3) return;
    moved = true;
    fingers.set(e.pointerId, p);
    on.move?.(p[0] - before[0], p[1] - before[1], p[0], p[1], e);
  });
  const up = (e: PointerEvent): void => {
    if (!fingers.delete(e.pointerId) || fingers.size > 0 || !active) return;
    active = false;
    const p = local(e);
    on.end?.(p[0], p[1], moved || e.type === 'pointercancel', e);
  };
  element.addEventListener('pointerup', up);
  element.addEventListener('pointercancel', up);
  element.addEventListener(
    'wheel',
    (e) => {
      if (!on.wheel) return;
      e.preventDefault();
      const p = local(e);
      const steps = e.deltaMode === 1 ? e.deltaY / 3 : e.deltaY / 100;
      on.wheel(steps, e, p[0], p[1]);
    },
    { passive: false },
  );
  element.addEventListener('contextmenu', (e) => e.preventDefault());
}

/** A point that can be dragged and moved by arrow keys, 0.5 mm a press (Shift: 2 mm). */
export function handle(
  label: string,
  test: string,
  on: { drag: (dx: number, dy: number) => void; drop: () => void },
  pixelsPerMm: () => number,
): HTMLButtonElement {
  const b = document.createElement('button');
  b.type = 'button';
  b.className = 'handle';
  b.setAttribute('aria-label', phrase('page.arrow_keys_move_half_millimetre', { label }));
  b.dataset['test'] = test;
  let last: [number, number] | null = null;
  let timer = 0;
  // Where the page itself was held up, presses may still be on their way: waited for once more.
  const settle = (): void => {
    const armed = performance.now();
    timer = window.setTimeout(() => (performance.now() - armed > 700 ? settle() : on.drop()), 500);
  };
  b.addEventListener('pointerdown', (e) => {
    b.setPointerCapture(e.pointerId);
    last = [e.clientX, e.clientY];
    e.stopPropagation();
  });
  b.addEventListener('pointermove', (e) => {
    if (!last) return;
    on.drag(e.clientX - last[0], e.clientY - last[1]);
    last = [e.clientX, e.clientY];
  });
  const up = (): void => {
    if (!last) return;
    last = null;
    on.drop();
  };
  b.addEventListener('pointerup', up);
  b.addEventListener('pointercancel', up);
  b.addEventListener('keydown', (e) => {
    const d = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[e.key];
    if (!d) return;
    e.preventDefault();
    e.stopPropagation();
    const px = pixelsPerMm() * (e.shiftKey ? 2 : 0.5);
    on.drag(d[0]! * px, d[1]! * px);
    // A run of presses is one edit.
    window.clearTimeout(timer);
    settle();
  });
  return b;
}
