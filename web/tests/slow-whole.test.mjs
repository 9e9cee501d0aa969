// A case from nothing to its verification, by hands on the page alone: what is run beside it stands for the scanner.
// Slow: with RAYSET_SLOW=1 only.
import assert from 'node:assert/strict';
import { execFileSync } from 'node:child_process';
import { mkdtempSync, readFileSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { test } from 'node:test';
import { footDrawn, goTo, launch, open, settled, t, until } from './browser.mjs';
import { program, startServer } from './library.mjs';

const kSlow = !!process.env.RAYSET_SLOW;

test('a broken left foot: images, injury, reduction, fixation, theatre, a CT afterwards', { skip: kSlow ? false : 'slow: set RAYSET_SLOW=1', timeout: 2_400_000 }, async (context) => {
  const folder = mkdtempSync(join(tmpdir(), 'rayset-whole-'));
  const scanner = (...args) => execFileSync(program(), ['phantom', ...args, '--spacing', '0.6', '--slice', '0.6'], { stdio: ['ignore', 'ignore', 'inherit'] });
  const server = await startServer(join(folder, 'cases'));
  const browser = await launch();
  const shots = process.env.RAYSET_SHOTS;
  const shot = async (page, name) => shots && (await page.screenshot({ path: join(shots, `whole-${name}.png`) }));
  try {
    scanner('--out', join(folder, 'patient'), '--seed', '11', '--side', 'left', '--injury', 'divergent', '--fragment', 'shear', '--both');
    const truth = JSON.parse(readFileSync(join(folder, 'patient', 'truth.json'), 'utf8'));
    const w = await open(browser, server);
    const { page } = w;
    page.setDefaultTimeout(60_000);

    // Images: the folder is given; planning follows by itself.
    await page.locator(t('new-name')).fill('Second patient');
    await page.locator(t('new-folder')).setInputFiles(join(folder, 'patient', 'ct'));
    await page.locator(t('in-images')).waitFor();
    const id = /#([^/]+)/.exec(page.url())[1];
    let state = await until(() => server.get(`/api/cases/${id}`), (s) => s.status === 'planned', 'planned', 1_200_000);
    assert.equal(state.name, 'Second patient');
    assert.equal(state.plan.side, truth.side);

    // Injury: what the truth says, in words on the screen.
    await page.locator(t('in-injury')).waitFor();
    await footDrawn(page);
    await settled(page);
    const pattern = await page.locator(t('patterns')).innerText();
    assert.match(pattern, /divergent/i);
    assert.ok(state.plan.bodies.some((b) => b.id === 'M2.1'), 'the sheared corner is a body of its own');
    const rows = await page.locator(`${t('displacement')} tbody tr`).allInnerTexts();
    assert.equal(rows.length, 5);
    for (const r of truth.rays ?? []) {
      const row = rows.find((text) => text.trim().startsWith(String(r.ray)));
      assert.ok(row, `ray ${r.ray} has its row`);
    }
    await shot(page, '2-injury');

    // Reduction: each ray in its order.
    await page.keyboard.press('3');
    await page.locator(t('in-reduction')).waitFor();
    for (const ray of state.plan.reduction.order) {
      await page.locator(t(`ray-${ray}`)).click();
      assert.match(await page.locator('main').innerText(), /manoeuvre/i);
    }
    await settled(page);
    await shot(page, '3-reduction');

    // Fixation: every device has its checks; the lateral rays get wires and screws again.
    await page.keyboard.press('4');
    await page.locator(t('in-fixation')).waitFor();
    for (const dev of state.plan.devices) {
      await page.locator(t(`device-${dev.id}`)).click();
      assert.ok((await page.locator(t('device-checks')).innerText()).length > 5, `${dev.id} is checked`);
    }
    await settled(page);
    await shot(page, '4-fixation');

    // Theatre: every step, the depths as the gauge reads them.
    await page.keyboard.press('5');
    await page.locator(t('theatre')).waitFor();
    const steps = state.theatre.steps;
    for (const step of steps) {
      await page.waitForFunction((title) => document.querySelector('[data-test="step-title"]').innerText === title, step.title);
      const device = step.device && state.plan.devices.find((x) => x.id === step.device);
      if (device?.kind === 'screw') {
        await page.locator(t('depth')).fill(String(Math.round(step.expected_mm)));
        await page.keyboard.press('Enter');
        await page.locator(t('step-title')).click();
        await settled(page);
      }
      if (step.id === steps[2].id) await shot(page, '5-theatre');
      await page.keyboard.press('Space');
      await until(() => server.get(`/api/cases/${id}`), (s) => s.theatre.steps.find((x) => x.id === step.id).done, `"${step.title}" is done`);
    }
    state = await server.get(`/api/cases/${id}`);
    for (const dev of state.plan.devices) if (dev.kind === 'screw') assert.ok(dev.measured_mm > 0, `${dev.id}: its depth is kept`);

    // Follow-up: a date, and the CT that the scanner makes of the operated foot.
    scanner('--after', join(folder, 'cases', 'cases', id, 'plan'), '--out', join(folder, 'after'), '--off-mm', '0.6', '--off-deg', '1.5', '--seed', '4');
    const after = JSON.parse(readFileSync(join(folder, 'after', 'truth.json'), 'utf8'));
    await page.keyboard.press('6');
    await page.locator(t('in-followup')).waitFor();
    await page.locator(t('surgery-date')).fill('2026-01-12');
    await page.locator(t('ics')).waitFor();
    await page.locator(t('pick-ct')).setInputFiles(join(folder, 'after', 'ct'));
    state = await until(() => server.get(`/api/cases/${id}`), (s) => !s.job && s.followup.checks.length === 1, 'checked', 1_200_000);
    const [check] = state.followup.checks;
    assert.equal(check.kind, 'ct');
    assert.match(check.date, /^2026-/, 'the day of the scan, not of the check');
    assert.notEqual(check.date, new Date().toISOString().slice(0, 10));
    for (const r of check.rays) {
      const true_mm = after.rays.find((x) => x.ray === r.ray).shift_mm;
      assert.ok(Math.abs(r.shift_mm.total - true_mm) < 0.3, `ray ${r.ray}: ${r.shift_mm.total} mm found, ${true_mm} true`);
    }
    const words = await page.locator(t('check-1')).innerText();
    assert.ok(words.toLowerCase().includes(check.verdict.toLowerCase()), 'the verdict is told');
    await settled(page);
    await shot(page, '6-followup');
    for (const [path, head] of [
      [`files/${check.report}`, '%PDF'],
      ['files/plan/report.pdf', '%PDF'],
      ['followup.ics', 'BEGIN:VCALENDAR'],
      ['all.zip', 'PK'],
    ]) {
      const got = await server.ask('GET', `/api/cases/${id}/${path}`);
      assert.equal(got.status, 200, path);
      assert.equal(Buffer.from(await got.arrayBuffer()).subarray(0, head.length).toString('latin1'), head, path);
    }
    context.diagnostic(`verdict ${check.verdict}; pattern ${JSON.stringify(state.plan.patterns.myerson)}`);
    w.quiet();
    await w.close();
  } finally {
    await browser.close();
    await server.stop();
    rmSync(folder, { recursive: true, force: true });
  }
});
