// From the list of cases to a device moved and its reason read, without a mouse.
import assert from 'node:assert/strict';
import { test } from 'node:test';
import { open, settled, t, until } from './browser.mjs';
import { browser, d } from './fixture.mjs';

/** Tab until what has the focus matches; how many presses that took. */
async function tabTo(page, selector, most = 120) {
  for (let n = 1; n <= most; ++n) {
    await page.keyboard.press('Tab');
    const at = await page.evaluate((s) => {
      const e = document.activeElement;
      if (!e?.matches(s)) return null;
      const c = getComputedStyle(e);
      const box = e.getBoundingClientRect();
      return { ring: c.outlineStyle !== 'none' || c.boxShadow !== 'none', seen: box.width > 0 && box.bottom > 0 && box.top < innerHeight && box.right > 0 && box.left < innerWidth };
    }, selector);
    if (!at) continue;
    assert.ok(at.seen, `${selector} has the focus and is in sight`);
    assert.ok(at.ring, `${selector} shows that it has the focus`);
    return n;
  }
  assert.fail(`${selector} is not reached by ${most} Tabs`);
}

test('a device moved and its checks read, by keys alone', async () => {
  const w = await open(browser, d.server);
  const { page } = w;
  await page.locator(t(`case-${d.id}`)).waitFor();
  await tabTo(page, t(`case-${d.id}`));
  await page.keyboard.press('Enter');
  await page.locator(t('in-injury')).waitFor();
  await page.keyboard.press('4');
  await page.locator(t('in-fixation')).waitFor();
  await page.waitForFunction(() => document.querySelector('[data-test="said"]').textContent === 'Fixation');
  await tabTo(page, t('device-S2'));
  await page.keyboard.press('Enter');
  await settled(page);
  const old = await d.state();
  // Round once: past the content, through the head of the page, to the handle in the view.
  await tabTo(page, t('handle-3d-tip'), 200);
  for (let i = 0; i < 3; ++i) await page.keyboard.press('Shift+ArrowLeft');
  const now = await until(() => d.state(), (s) => s.seq > old.seq, 'the move is stored');
  await settled(page);
  const dev = now.plan.devices.find((x) => x.id === 'S2');
  assert.ok(dev.by_hand);
  const told = page.locator(t('device-checks'));
  assert.equal(await told.getAttribute('aria-live'), 'polite', 'a screen reader hears it');
  const words = (await told.innerText()).toLowerCase();
  if (dev.ok) assert.match(words, /all checks are met/);
  else for (const r of dev.reasons) assert.ok(words.includes(r.toLowerCase()), words);
  assert.match(await page.locator(t('said')).textContent(), /^S2: \d+ mm/);
  await page.keyboard.press('Control+z');
  await until(() => d.state(), (s) => !s.plan.devices.find((x) => x.id === 'S2').by_hand, 'taken back');
  w.quiet();
  await w.close();
});

test('rays by arrow keys on the board, a ray moved by keys in a view', async () => {
  const w = await open(browser, d.server, `/#${d.id}/reduction`);
  const { page } = w;
  await page.locator(t('in-reduction')).waitFor();
  await settled(page);
  await tabTo(page, '[role="option"][aria-selected="true"]');
  const side = (await d.state()).plan.side;
  await page.keyboard.press(side === 'left' ? 'ArrowRight' : 'ArrowLeft');
  await page.waitForFunction(() => document.querySelector('[data-test="ray-1"]').getAttribute('aria-selected') === 'true');
  await page.waitForFunction(() => document.activeElement?.dataset.ray === '1', null, { timeout: 5000 });
  const old = await d.state();
  await tabTo(page, t('move-dorsal'));
  await page.keyboard.press('Enter');
  await page.keyboard.press('Enter');
  const now = await until(() => d.state(), (s) => s.seq > old.seq, 'the ray is moved');
  assert.ok(now.plan.rays.find((r) => r.ray === 1).by_hand);
  w.quiet();
  await w.close();
});
