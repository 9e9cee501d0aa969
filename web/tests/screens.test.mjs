// A picture of every place in three sizes, kept in out/screens; and nothing runs out of the window.
import assert from 'node:assert/strict';
import { mkdirSync } from 'node:fs';
import { join } from 'node:path';
import { before, test } from 'node:test';
import { footDrawn, goTo, kPlaces, open, openCase, settled, t } from './browser.mjs';
import { browser, d } from './fixture.mjs';
import { kRoot } from './library.mjs';

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

/** What runs out of the window or is cut off, in words. */
const misfits = (page) =>
  page.evaluate(() => {
    const out = [];
    const root = document.scrollingElement;
    if (root.scrollWidth > innerWidth + 1) out.push(`the page is ${root.scrollWidth - innerWidth} px wider than the window`);
    const name = (e) => `${e.tagName.toLowerCase()}${e.className?.baseVal ?? (e.className ? `.${String(e.className).split(' ').join('.')}` : '')} "${(e.innerText ?? '').slice(0, 40)}"`;
    const visible = (e) => e.checkVisibility?.({ visibilityProperty: true }) !== false && e.getClientRects().length > 0;
    const reachable = (e) => {
      for (let p = e.parentElement; p; p = p.parentElement) {
        const s = getComputedStyle(p);
        if (/auto|scroll/.test(s.overflowX + s.overflowY) && (p.scrollHeight > p.clientHeight || p.scrollWidth > p.clientWidth)) return true;
      }
      return root.scrollHeight > innerHeight + 1;
    };
    for (const e of document.querySelectorAll('button, select, input, textarea, h1, h2, .edge, .words, .end, .state, .subject')) {
      if (!visible(e) || e.closest('.hidden, .skip, details:not([open]) > :not(summary)')) continue;
      const b = e.getBoundingClientRect();
      if (e.type === 'file' || b.width === 0) continue;
      if ((b.right > innerWidth + 1 || b.left < -1 || b.bottom > innerHeight + 1) && !reachable(e)) out.push(`${name(e)} runs out of the window`);
      const s = getComputedStyle(e);
      if (/hidden|clip/.test(s.overflowX) && s.textOverflow !== 'ellipsis' && e.scrollWidth > e.clientWidth + 2 && e.tagName !== 'INPUT') out.push(`${name(e)} is cut off by ${e.scrollWidth - e.clientWidth} px`);
    }
    // Columns of the board: no part over another, no words cut.
    for (const c of document.querySelectorAll('.board .column')) {
      const box = c.getBoundingClientRect();
      for (const part of c.children) {
        const b = part.getBoundingClientRect();
        if (b.bottom > box.bottom + 1.5 || b.right > box.right + 1.5) out.push(`${name(part)} runs out of its column`);
      }
    }
    // Buttons side by side must not lie over one another.
    const buttons = [...document.querySelectorAll('.toolbar button, .acts button, nav button, .tools button, .tools select, .pane-head select, .pane-foot button')].filter(visible);
    for (let i = 0; i < buttons.length; ++i)
      for (let j = i + 1; j < buttons.length; ++j) {
        const [a, b] = [buttons[i].getBoundingClientRect(), buttons[j].getBoundingClientRect()];
        if (Math.min(a.right, b.right) - Math.max(a.left, b.left) > 2 && Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top) > 2 && !buttons[i].contains(buttons[j]))
          out.push(`${name(buttons[i])} lies over ${name(buttons[j])}`);
      }
    return out;
  });

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
