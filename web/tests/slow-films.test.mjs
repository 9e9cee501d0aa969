// Post-operative films, made from the plan, checked through the page. Slow: with RAYSET_SLOW=1 only.
import assert from 'node:assert/strict';
import { execFileSync } from 'node:child_process';
import { readdirSync } from 'node:fs';
import { join } from 'node:path';
import { test } from 'node:test';
import { launch, openCase, settled, t, until } from './browser.mjs';
import { desk, program } from './library.mjs';

const kSlow = !!process.env.RAYSET_SLOW;

test('two films after the operation are checked against the plan', { skip: kSlow ? false : 'slow: set RAYSET_SLOW=1', timeout: 1_200_000 }, async (context) => {
  const d = await desk();
  const browser = await launch();
  try {
    const made = join(d.scratch, 'films');
    execFileSync(program(), ['views', d.plan, '--out', made, '--state', 'metal', '--view', 'dorsoplantar-15', '--view', 'lateral'], { stdio: ['ignore', 'ignore', 'inherit'] });
    const films = readdirSync(made, { recursive: true }).filter((f) => String(f).endsWith('.dcm')).map((f) => join(made, String(f)));
    assert.equal(films.length, 2, `films: ${films}`);
    const w = await openCase(browser, d, 'followup');
    const { page } = w;
    await page.locator(t('pick-films')).setInputFiles(films);
    await page.locator(t('progress')).waitFor();
    await until(() => d.state(), (s) => s.job?.kind === 'verify', 'checking', 60_000);
    const begun = Date.now();
    const state = await until(() => d.state(), (s) => !s.job && s.followup.checks.length === 1, 'checked', 1_000_000);
    context.diagnostic(`checked in ${((Date.now() - begun) / 1000).toFixed(0)} s`);
    const [check] = state.followup.checks;
    assert.equal(check.kind, 'films');
    assert.match(check.verdict, /anatom/i, 'films of the plan itself show an anatomical reduction');
    for (const r of check.rays) if (r.shift_mm) assert.ok(r.shift_mm.total < 2, `ray ${r.ray}: ${r.shift_mm.total} mm`);
    const shown = page.locator(t('check-1'));
    await shown.waitFor();
    const words = await shown.innerText();
    assert.ok(words.toLowerCase().includes(check.verdict.toLowerCase()));
    for (const r of check.rays) assert.ok(words.includes(`Ray ${r.ray}`));
    for (const dev of check.devices) assert.ok(words.includes(dev.id));
    await page.locator(t('course')).waitFor();
    const report = await d.server.ask('GET', `/api/cases/${d.id}/files/${check.report}`);
    assert.equal(report.status, 200);
    assert.equal(Buffer.from(await report.arrayBuffer()).subarray(0, 4).toString(), '%PDF');
    // The films of the check stand beside the simulated ones of their views.
    assert.deepEqual(check.films.map((f) => f.view).sort(), ['dorsoplantar', 'lateral']);
    await page.locator(`${t('check-1')} button`).first().click();
    await page.locator(`${t('view-real')}[data-shown^="followup/1/images/"]`).waitFor();
    await settled(page);
    // Weeks later, one film alone: what it tells in its plane, and what has changed since.
    await page.locator(t('pick-films')).setInputFiles(films.filter((f) => f.includes('lateral')));
    const later = await until(() => d.state(), (s) => !s.job && s.followup.checks.length === 2, 'checked again', 1_000_000);
    const second = later.followup.checks[1];
    assert.match(second.verdict, /not known/);
    for (const r of second.rays) assert.ok(r.in_plane.mm < 1, `ray ${r.ray}: ${r.in_plane.mm} mm`);
    assert.equal(second.since.rays.length, check.rays.length);
    for (const r of second.since.rays) assert.equal(r.moved, false, `ray ${r.ray}: ${r.words}`);
    const again = page.locator(t('check-2'));
    await again.waitFor();
    assert.equal(await again.locator(t('since')).count(), second.rays.length + second.devices.length);
    assert.match(await again.innerText(), /in the plane of the film/);
    assert.match(await again.innerText(), /no change told/);
    if (process.env.RAYSET_SHOTS) await again.screenshot({ path: join(process.env.RAYSET_SHOTS, 'second-check.png') });
    w.quiet();
  } finally {
    await browser.close();
    await d.end();
  }
});
