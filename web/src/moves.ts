// What dragging and stepping do to rays and devices: shown at once, tried on the server, kept on release.
import { dragged, stepped, type Freedom } from './foot';
import { add, compose, translation, turnAbout } from './math';
import { app, changed, deviceNow, edit, endTrial, rayNow, say, tryEdit } from './store';
import type { Mat, Vec } from './types';
import { rayName } from './words';
import { phrase } from './phrases';

let pendingDevice: { id: string; entry: Vec; tip: Vec } | null = null;

export const deviceUnderHand = (): typeof pendingDevice => pendingDevice;

export function dragDevice(id: string, which: 'entry' | 'tip' | 'both', by: Vec): void {
  const d = deviceNow(id);
  if (!d || app.readOnly) return;
  if (!pendingDevice || pendingDevice.id !== id) pendingDevice = { id, entry: d.entry, tip: d.tip };
  if (which !== 'tip') pendingDevice.entry = add(pendingDevice.entry, by);
  if (which !== 'entry') pendingDevice.tip = add(pendingDevice.tip, by);
  void tryEdit('device.set', { ...pendingDevice });
  changed();
}
export async function dropDevice(): Promise<void> {
  const held = pendingDevice;
  if (!held) return;
  endTrial();
  const sent = { ...held };
  await edit('device.set', sent);
  // What was moved on meanwhile stays in hand: its own release sends it.
  if (pendingDevice === held && (held.entry !== sent.entry || held.tip !== sent.tip)) return;
  if (pendingDevice === held) pendingDevice = null;
  app.trial = null;
  changed();
  const d = deviceNow(sent.id);
  if (d) say(phrase('page.mm', { id: sent.id, length: d.length_mm.toFixed(0), reasons: d.ok === false ? d.reasons.join('; ') : phrase('page.all_checks_met') }));
}

function setRay(ray: number, pose: Mat): void {
  dragged.set(ray, pose);
  void tryEdit('ray.move', { ray, transform: pose });
  changed();
}
export function dragRay(ray: number, by: Vec): void {
  const now = dragged.get(ray) ?? rayNow(ray)?.transform;
  if (now && !app.readOnly) setRay(ray, compose(translation(by), now));
}
export function turnRay(ray: number, axis: Vec, centre: Vec, angle: number): void {
  const now = dragged.get(ray) ?? rayNow(ray)?.transform;
  if (now && !app.readOnly) setRay(ray, compose(turnAbout(axis, centre, angle), now));
}
export async function dropRay(ray: number): Promise<void> {
  const pose = dragged.get(ray);
  if (!pose) return;
  endTrial();
  await edit('ray.move', { ray, transform: pose });
  if (dragged.get(ray) === pose) dragged.delete(ray);
  app.trial = null;
  changed();
  const j = rayNow(ray)?.joint;
  if (j) say(phrase('page.gap_mm_step_mm_overlap_mm', { ray: rayName(ray), gap: j.gap_mm, step: j.step_mm, overlap: j.overlap_mm }));
}

let timer = 0;
function dropSoon(ray: number): void {
  window.clearTimeout(timer);
  timer = window.setTimeout(() => void dropRay(ray), 600);
}

/** Arrow keys in a view while a ray is in hand: moved in its plane or turned about the line of sight. */
export function keyRay(key: string, big: boolean, way: (dx: number, dy: number) => Vec, away: Vec, centre: Vec | null): boolean {
  const d = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[key];
  if (!d || app.readOnly) return false;
  const step = big ? 2 : 0.5;
  if (app.tool === 'move') dragRay(app.ray, way(d[0]! * step, d[1]! * step));
  else if (centre && d[0]) turnRay(app.ray, away, centre, (d[0] * step * 2 * Math.PI) / 180);
  dropSoon(app.ray);
  return true;
}

/** One press of a button or key; a run of presses is one edit. */
export function stepRay(ray: number, freedom: Freedom, amount: number): void {
  const plan = app.state?.plan;
  if (!plan || app.readOnly) return;
  const pose = stepped(plan, ray, freedom, amount);
  if (!pose) return;
  setRay(ray, pose);
  dropSoon(ray);
}
