// A touch screen: rays chosen by a tap, the foot turned by one finger and brought nearer by two, a device dragged.
import assert from 'node:assert/strict';
import { test } from 'node:test';
import { footDrawn, openCase, settled, t, until } from './browser.mjs';
import { browser, d } from './fixture.mjs';

/** Fingers that go from where they touch to where they leave, in step: [[from, to], ...] in pixels of the window. */
async function fingers(page, ways, steps = 8) {
  const touch = await page.context().newCDPSession(page);
  const at = (s) => ways.map(([a, b], id) => ({ id, x: a.x + ((b.x - a.x) * s) / steps, y: a.y + ((b.y - a.y) * s) / steps }));
  await touch.send('Input.dispatchTouchEvent', { type: 'touchStart', touchPoints: at(0) });
  for (let s = 1; s <= steps; ++s) await touch.send('Input.dispatchTouchEvent', { type: 'touchMove', touchPoints: at(s) });
  await touch.send('Input.dispatchTouchEvent', { type: 'touchEnd', touchPoints: [] });
  await touch.detach();
}
const middle = async (locator) => {
  const b = await locator.boundingBox();
  return { x: b.x + b.width / 2, y: b.y + b.height / 2 };
};
const by = (p, x, y) => ({ x: p.x + x, y: p.y + y });
const apart = (a, b) => Math.hypot(a.x - b.x, a.y - b.y);

test('a ray is chosen, the foot turned and brought nearer', async () => {
  const w = await openCase(browser, d, 'fixation', { touch: true });
  const { page } = w;
  await footDrawn(page);
  await page.locator(t('ray-3')).tap();
  await page.locator(`${t('ray-3')}[aria-selected="true"]`).waitFor();
  await settled(page);
  const [entry, tip] = [page.locator(t('handle-3d-entry')), page.locator(t('handle-3d-tip'))];
  const before = [await middle(entry), await middle(tip)];
  const box = await page.locator(t('view-foot')).boundingBox();
  const free = { x: box.x + 60, y: box.y + box.height - 70 };
  await fingers(page, [[free, by(free, 90, 0)]]);
  await settled(page);
  const turned = [await middle(entry), await middle(tip)];
  assert.ok(apart(turned[0], before[0]) > 5, `one finger turns the foot: ${JSON.stringify([before, turned])}`);
  const c = { x: box.x + box.width / 2, y: box.y + box.height / 2 };
  await fingers(page, [
    [by(c, -120, 90), by(c, -180, 135)],
    [by(c, 120, -90), by(c, 180, -135)],
  ]);
  await settled(page);
  const near = [await middle(entry), await middle(tip)];
  const grown = apart(near[0], near[1]) / apart(turned[0], turned[1]);
  assert.ok(grown > 1.3 && grown < 1.7, `two fingers half as far again apart: ${grown.toFixed(2)} times as large`);
  assert.deepEqual(w.heard.writes, [], 'looking changes nothing');
  w.quiet();
  await w.close();
});

test('the tip of a screw is dragged by a finger', async () => {
  const w = await openCase(browser, d, 'fixation', { touch: true });
  const { page } = w;
  await footDrawn(page);
  await page.locator(t('device-S2')).tap();
  await settled(page);
  const old = await d.state();
  const from = await middle(page.locator(t('handle-3d-tip')));
  await fingers(page, [[from, by(from, -18, 6)]]);
  const now = await until(() => d.state(), (s) => s.seq > old.seq, 'the change is stored');
  const [a, b] = [old, now].map((s) => s.plan.devices.find((x) => x.id === 'S2'));
  assert.ok(b.by_hand);
  assert.ok(Math.hypot(...a.direction.map((x, i) => x - b.direction[i])) > 0.02, 'it points another way');
  assert.equal(now.history.length, old.history.length + 1, 'one drag is one edit');
  await settled(page);
  await page.locator(t('undo')).tap();
  await until(() => d.state(), (s) => s.plan.devices.find((x) => x.id === 'S2').length_mm === a.length_mm && !s.plan.devices.find((x) => x.id === 'S2').by_hand, 'taken back');
  w.quiet();
  await w.close();
});
