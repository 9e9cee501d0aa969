// What must not mislead: no key changes the plan by accident, every change of a device is seen, and a device that fails
// is told where it is put in.
import assert from 'node:assert/strict';
import { test } from 'node:test';
import { openCase, settled, t } from './browser.mjs';
import { browser, d } from './fixture.mjs';

const s2 = async () => (await d.state()).plan.devices.find((x) => x.id === 'S2');

async function atLength() {
  const w = await openCase(browser, d, 'fixation');
  const { page } = w;
  await page.locator(t('device-S2')).first().click();
  const list = page.locator(t('device-length'));
  await list.focus();
  return { ...w, page, list };
}

test('a digit on a focused list goes to a place and leaves the device as it is', async () => {
  const before = await s2();
  const { page } = await atLength();
  await page.keyboard.press('5');
  await page.locator(t('theatre')).waitFor();
  await settled(page);
  assert.equal((await s2()).length_mm, before.length_mm);
  await page.close();
});

test('keys on a closed list change nothing', async () => {
  const before = await s2();
  const { page, list } = await atLength();
  for (const key of ['Home', 'PageDown', 's', '9']) await page.keyboard.press(key);
  await settled(page);
  assert.equal(await list.inputValue(), String(before.length_mm));
  assert.equal((await s2()).length_mm, before.length_mm);
  await page.close();
});

test('a change of a device is told with the way back', async () => {
  const before = await s2();
  const { page, list } = await atLength();
  const other = before.lengths_mm.find((x) => x < before.length_mm);
  await list.selectOption(String(other));
  const change = page.locator(t('change'));
  await change.waitFor();
  const now = (await s2()).length_mm;
  assert.equal(await change.locator('span').innerText(), `S2: ${before.length_mm} to ${now} mm`);
  await page.locator(t('change-undo')).click();
  await settled(page);
  assert.equal((await s2()).length_mm, before.length_mm);
  assert.equal(await change.count(), 0);
  await page.close();
});

test('a device that fails is told in its step, and the step asks before it is done', async () => {
  const state = await d.state();
  const before = state.plan.devices.find((x) => x.id === 'S2');
  const longest = before.lengths_mm.at(-1);
  const way = before.tip.map((v, i) => (v - before.entry[i]) / before.length_mm);
  await d.server.edit(d.id, 'device.set', { id: 'S2', entry: before.entry, tip: before.entry.map((v, i) => v + longest * way[i]) });
  const failing = await d.state();
  assert.equal(failing.plan.devices.find((x) => x.id === 'S2').ok, false);
  const at = failing.theatre.steps.findIndex((s) => s.device === 'S2');
  assert.ok(failing.theatre.steps[at].alarms.length > 0);
  for (let i = 0; i < at; ++i) await d.server.edit(d.id, 'theatre.step', { step: failing.theatre.steps[i].id, done: true });

  const { page } = await openCase(browser, d, 'theatre');
  const alarms = page.locator(t('step-alarms'));
  await alarms.waitFor();
  assert.ok((await alarms.innerText()).startsWith('S2:'));
  assert.ok((await page.locator(t('step-title')).innerText()).startsWith('▲'));
  assert.ok((await page.locator(t('ray-2')).innerText()).includes('▲ S2'), 'the ray bar');
  await page.locator(t('step-next')).click();
  await page.locator(t('answer-cancel')).click();
  assert.equal((await d.state()).theatre.steps[at].done, false);
  await page.locator(t('step-next')).click();
  await page.locator(t('answer-step')).click();
  await page.waitForFunction((title) => !document.querySelector('[data-test="step-title"]').innerText.includes(title), failing.theatre.steps[at].title);
  assert.equal((await d.state()).theatre.steps[at].done, true);
  await page.close();
});

test('a reading a size off names the screw to take, one further off says to look', async () => {
  const state = await d.state();
  const at = state.theatre.steps.findIndex((s) => s.device === 'S3');
  const s3 = state.plan.devices.find((x) => x.id === 'S3');
  for (const s of state.theatre.steps.slice(0, at)) await d.server.edit(d.id, 'theatre.step', { step: s.id, done: true });
  const { page } = await openCase(browser, d, 'theatre');
  const read = async (mm) => {
    await page.locator(t('depth')).fill(String(mm));
    await page.locator(t('depth')).press('Enter');
    await settled(page);
  };
  await read(s3.measured_depth_mm - 1.5);
  const shorter = s3.lengths_mm.filter((l) => l <= s3.length_mm - 1.5).at(-1);
  assert.ok((await page.locator(t('depth-take')).innerText()).includes(`${shorter} mm`));
  await read(s3.measured_depth_mm - 8);
  await page.locator(`${t('depth-result')} .alarm`).waitFor();
  assert.equal(await page.locator(t('depth-take')).count(), 0);
  await page.close();
});

test('theatre says whose foot it is', async () => {
  const { plan } = await d.state();
  const { page } = await openCase(browser, d, 'theatre');
  const words = await page.locator(t('theatre-patient')).innerText();
  for (const part of [plan.patient.id, plan.side.toUpperCase(), plan.patient.name.split(',')[0]]) assert.ok(words.includes(part), `${part} in "${words}"`);
  await page.goto(`${d.server.address}/watch/${d.id}`);
  assert.equal(await page.locator(t('theatre-patient')).innerText(), words, 'the second screen');
  await page.close();
});
