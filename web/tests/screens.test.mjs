// A picture of every place in three sizes, kept in out/screens; and nothing runs out of the window.
import assert from 'node:assert/strict';
import { mkdirSync } from 'node:fs';
import { join } from 'node:path';
import { before, test } from 'node:test';
import { footDrawn, goTo, kPlaces, open, openCase, settled, t } from './browser.mjs';
import { browser, d } from './fixture.mjs';
import { kRoot } from './library.mjs';
import { misfits } from './soundness.mjs';

const kSizes = [
  [1280, 720],
  [1600, 900],
  [2560, 1440],
];
const out = join(kRoot, 'out', 'screens');

before(async () => {
  mkdirSync(out, { recursive: true });
});

const keep = async (page, name, [w, h]) => page.screenshot({ path: join(out, `${name}-${w}x${h}.png`) });

for (const size of kSizes) {
  const [width, height] = size;
  test(`places at ${width} x ${height}`, async () => {
    const w = await openCase(browser, d, 'injury', { width, height });
    const { page } = w;
    await footDrawn(page);
    await page.waitForFunction(() => Number(document.querySelector('[data-test="view-foot"]').dataset.bodies) > 10);
    const wrong = [];
    for (const place of kPlaces) {
      await goTo(page, place);
      await settled(page);
      if (place === 'theatre') await page.waitForFunction(() => [...document.querySelectorAll('.sight img')].every((i) => i.complete));
      await keep(page, place, size);
      wrong.push(...(await misfits(page)).map((m) => `${place}: ${m}`));
      if (place !== 'theatre')
        for (const pane of await page.locator('.pane .view').all()) {
          const box = await pane.boundingBox();
          if (!box || box.width < 180 || box.height < 160) wrong.push(`${place}: a view of ${JSON.stringify(box)}`);
        }
    }
    await goTo(page, 'reduction');
    await page.locator(t('view-large')).selectOption('film');
    await settled(page);
    await keep(page, 'reduction-film', size);
    wrong.push(...(await misfits(page)).map((m) => `film: ${m}`));
    // A screw on its way in, theatre; a device that fails, its reasons; the history.
    const old = await d.state();
    const at = old.theatre.steps.findIndex((s) => s.device?.startsWith('S'));
    for (let i = 0; i < at; ++i) await d.server.edit(d.id, 'theatre.step', { step: old.theatre.steps[i].id, done: true });
    const s3 = old.plan.devices.find((x) => x.id === 'S3');
    await d.server.edit(d.id, 'depth.measured', { device: old.theatre.steps[at].device, mm: 20 });
    await d.server.edit(d.id, 'device.set', { id: 'S3', entry: s3.entry, tip: s3.tip.map((v, i) => v + [7, 0, 7][i]) });
    await goTo(page, 'theatre');
    await page.waitForFunction((title) => document.querySelector('[data-test="step-title"]').innerText === title, old.theatre.steps[at].title);
    await settled(page);
    await page.waitForFunction(() => [...document.querySelectorAll('.sight img')].every((i) => i.complete));
    await keep(page, 'theatre-screw', size);
    // The words that may stop the operation must be read without looking for them.
    const answer = await page.locator(t('depth-result')).evaluate((e) => {
      const b = e.getBoundingClientRect();
      const at = (y) => e.contains(document.elementFromPoint(b.left + 8, y));
      return at(b.top + 4) && at(b.bottom - 4);
    });
    if (!answer) wrong.push('theatre, a screw: what the gauge tells is not wholly in sight');
    wrong.push(...(await misfits(page)).map((m) => `theatre, a screw: ${m}`));
    await goTo(page, 'fixation');
    await page.locator(t('device-S3')).click();
    await settled(page);
    await keep(page, 'fixation-failing', size);
    wrong.push(...(await misfits(page)).map((m) => `fixation, failing: ${m}`));
    await page.locator(t('history-open')).click();
    await settled(page);
    await keep(page, 'history', size);
    wrong.push(...(await misfits(page)).map((m) => `history: ${m}`));
    await page.locator(t('history-open')).click();
    for (let i = 0; i < at + 2; ++i) await d.server.post(`/api/cases/${d.id}/undo`);
    await page.locator(t('home')).click();
    await page.locator(t(`case-${d.id}`)).waitFor();
    await page.waitForFunction(() => [...document.querySelectorAll('.case img')].every((i) => i.complete));
    await keep(page, 'list', size);
    wrong.push(...(await misfits(page)).map((m) => `list: ${m}`));
    await w.close();
    const watch = await open(browser, d.server, `/watch/${d.id}`, { width, height });
    await watch.page.locator(t('theatre')).waitFor();
    await watch.page.waitForTimeout(300);
    await keep(watch.page, 'watch', size);
    wrong.push(...(await misfits(watch.page)).map((m) => `second screen: ${m}`));
    await watch.close();
    assert.deepEqual(wrong, []);
  });
}
