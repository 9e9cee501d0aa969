// From DICOM to a plan through the page alone. Slow: with RAYSET_SLOW=1 only.
import assert from 'node:assert/strict';
import { test } from 'node:test';
import { footDrawn, goTo, kPlaces, launch, open, settled, t, until } from './browser.mjs';
import { desk } from './library.mjs';

const kSlow = !!process.env.RAYSET_SLOW;

test('images given, planned, every place filled; a correction, planned again', { skip: kSlow ? false : 'slow: set RAYSET_SLOW=1', timeout: 2_400_000 }, async (context) => {
  const d = await desk();
  const browser = await launch();
  try {
    const w = await open(browser, d.server);
    const { page } = w;
    page.setDefaultTimeout(60_000);
    const begun = Date.now();
    await page.locator(t('new-folder')).setInputFiles(d.images);
    await page.locator(t('in-images')).waitFor();
    const id = /#([^/]+)/.exec(page.url())[1];
    const stages = new Set();
    const watch = setInterval(() => void page.locator(t('progress')).innerText({ timeout: 200 }).then((s) => stages.add(s.split('\n')[0]), () => undefined), 400);
    const state = await until(() => d.state(id), (s) => s.status === 'planned', 'planned', 1_000_000);
    clearInterval(watch);
    context.diagnostic(`planned ${((Date.now() - begun) / 1000).toFixed(0)} s after the folder was given; told: ${[...stages].join(' | ')}`);
    assert.ok(stages.size >= 4, 'the stages are told');
    // Planned by itself, the same as by the program.
    const known = await d.state();
    assert.deepEqual(state.plan.patterns, known.plan.patterns);
    assert.deepEqual(state.plan.devices.map((x) => [x.id, x.type, x.length_mm]), known.plan.devices.map((x) => [x.id, x.type, x.length_mm]));
    await page.locator(t('in-injury')).waitFor();
    await footDrawn(page);
    for (const place of kPlaces) await goTo(page, place);
    // A seed where the bone is anyway, then planned again: the correction is in the plan.
    const m2 = state.plan.axis['2'] ?? state.plan.axis.M2 ?? state.plan.axis[1];
    const back = state.plan.rays.find((r) => r.ray === 2).transform;
    const middle = m2.base.map((v, i) => (v + m2.head[i]) / 2);
    const turned = [0, 1, 2].map((c) => [0, 1, 2].reduce((s, r) => s + back[r][c] * (middle[r] - back[r][3]), 0));
    await d.server.edit(id, 'bones.edit', { edits: { seeds: [{ bone: 'M2', point: turned, radius_mm: 1.5 }] } });
    await goTo(page, 'images');
    await page.locator(t('stale')).waitFor();
    await page.locator(t('plan')).click();
    await until(() => d.state(id), (s) => s.job?.kind === 'plan', 'planning again');
    const again = await until(() => d.state(id), (s) => !s.job, 'planned again', 1_000_000);
    assert.equal(again.stale, false);
    assert.equal(again.plan.devices.length, state.plan.devices.length);
    await page.locator(t('stale')).waitFor({ state: 'detached' });
    await settled(page);
    w.quiet();
    await w.close();
  } finally {
    await browser.close();
    await d.end();
  }
});
