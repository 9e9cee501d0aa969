// The server killed at any moment: whatever it acknowledged is there when it is back.
import assert from 'node:assert/strict';
import { rmSync } from 'node:fs';
import { test } from 'node:test';
import { openCase, settled, t, until } from './browser.mjs';
import { browser, d } from './fixture.mjs';
import { desk, startServer } from './library.mjs';

const kRounds = Number(process.env.RAYSET_KILLS ?? 50);

/** Seeded, so that a failure can be had again. */
function random(seed) {
  let a = seed >>> 0;
  return () => {
    a = (a + 0x6d2b79f5) | 0;
    let x = Math.imul(a ^ (a >>> 15), 1 | a);
    x = (x + Math.imul(x ^ (x >>> 7), 61 | x)) ^ x;
    return ((x ^ (x >>> 14)) >>> 0) / 4294967296;
  };
}

/** Edits of the planned case; its payloads are stored as sent. */
const planned = (state, n, r) =>
  [
    ['theatre.step', { step: state.theatre.steps[n % state.theatre.steps.length].id, done: r > 0.3 }],
    ['depth.measured', { device: state.plan.devices.filter((x) => x.kind === 'screw')[n % 3].id, mm: 20 + Math.round(60 * r) / 2 }],
    ['case.notes', { text: `planned ${n}` }],
  ][Math.floor(r * 89) % 3];

const kinds = (n, r) =>
  [
    ['case.name', { text: `name ${n}` }],
    ['case.notes', { text: `notes ${n} ${'ä'.repeat(1 + Math.floor(r * 3000))}` }],
    ['case.hide', { hidden: r > 0.5 }],
    ['surgery.date', { date: `2026-0${1 + Math.floor(r * 9)}-1${Math.floor(r * 10)}` }],
  ][Math.floor(r * 97) % 4];

test(`${kRounds} times kill -9 between and within edits`, async (context) => {
  const mine = await desk();
  const { cases } = mine;
  const whole = await mine.state();
  await mine.server.stop();
  const next = random(20261126);
  const acknowledged = new Map(); // of each case: seq to [kind, payload]
  const asked = new Map(); // how many rows there may be at most
  acknowledged.set(mine.id, new Map());
  asked.set(mine.id, whole.history.length);
  let n = 0;
  let lost = 0;
  try {
    for (let round = 0; round < kRounds; ++round) {
      const server = await startServer(cases);
      if (round % 10 === 0) {
        const made = await server.post('/api/cases', { name: `case ${round}` });
        acknowledged.set(made.id, new Map());
        asked.set(made.id, 0);
      }
      // Opening the planned case takes a while, so it has its turn in every tenth round, and at the end.
      const turn = round % 10 === 9 || round === kRounds - 1;
      // All that was ever acknowledged, in every case.
      for (const [id, rows] of acknowledged) {
        if (id === mine.id && !turn) continue;
        const { history, state } = await server.get(`/api/cases/${id}/case.json`);
        for (const [seq, [kind, payload]] of rows) {
          const row = history.find((h) => h.seq === seq);
          assert.ok(row, `round ${round}: row ${seq} (${kind}) of case ${id} is gone`);
          assert.equal(row.kind, kind);
          assert.deepEqual(row.payload, payload);
        }
        assert.deepEqual(history.map((h) => h.seq), [...history.map((h) => h.seq)].sort((a, b) => a - b), 'rows in order');
        assert.ok(history.length >= rows.size && history.length <= asked.get(id), `${history.length} rows, ${rows.size} acknowledged, ${asked.get(id)} sent`);
        const last = history.filter((h) => h.kind === 'case.notes').at(-1);
        if (last) assert.equal(state.notes, last.payload.text, 'the state is that of the history');
      }
      // Writers until the server is shot.
      const ids = turn ? [mine.id] : [...acknowledged.keys()].filter((id) => id !== mine.id);
      let alive = true;
      const writer = async () => {
        while (alive) {
          const id = ids[Math.floor(next() * ids.length)];
          const [kind, payload] = turn ? planned(whole, ++n, next()) : kinds(++n, next());
          asked.set(id, asked.get(id) + 1);
          try {
            const { seq } = await server.edit(id, kind, payload);
            acknowledged.get(id).set(seq, [kind, payload]);
          } catch (error) {
            if (error.status) throw error; // refused, not shot
            lost += 1;
            return;
          }
        }
      };
      const writers = [writer(), writer(), writer()];
      await new Promise((ok) => setTimeout(ok, turn ? 100 + next() * 900 : 5 + next() * 150));
      await server.kill();
      alive = false;
      await Promise.all(writers);
    }
    // Once more, whole: every row of every case.
    const server = await startServer(cases);
    for (const [id, rows] of acknowledged) {
      const { history } = await server.get(`/api/cases/${id}/case.json`);
      for (const [seq, [kind, payload]] of rows) {
        const row = history.find((h) => h.seq === seq);
        assert.equal(row?.kind, kind);
        assert.deepEqual(row.payload, payload);
      }
    }
    await server.stop();
    assert.ok(acknowledged.get(mine.id).size > 0, 'the planned case was written to');
    const kept = [...acknowledged.values()].reduce((s, r) => s + r.size, 0);
    context.diagnostic(`${kRounds} kills, ${kept} edits acknowledged and all there, ${lost} shot before their answer`);
    assert.ok(kept > kRounds, 'edits were made');
  } finally {
    await mine.end();
  }
});

async function restart() {
  const { port } = d.server;
  d.server = await startServer(d.cases, { port });
  d.state = (id = d.id) => d.server.get(`/api/cases/${id}`);
  const { server } = d;
  d.end = async () => {
    await server.stop();
    rmSync(d.scratch, { recursive: true, force: true });
  };
}

test('the page, idle: it says that the connection is lost, keeps what is typed meanwhile, sends it on return', async () => {
  const w = await openCase(browser, d, 'fixation');
  const { page } = w;
  await page.locator(t('device-S2')).click();
  await page.locator(t('case-name')).fill('Before the break');
  await page.keyboard.press('Enter');
  await settled(page);
  const old = await d.state();
  await d.server.kill();
  await page.locator(t('lost')).waitFor();
  assert.notEqual(await page.locator(t('saved')).innerText(), '✓ saved');
  await page.locator(t('case-name')).fill('Typed in the break');
  await page.keyboard.press('Enter');
  await page.waitForTimeout(300);
  assert.notEqual(await page.locator(t('saved')).innerText(), '✓ saved', 'not saved, and not said to be');
  await restart();
  await page.locator(t('lost')).waitFor({ state: 'detached' });
  await settled(page);
  const now = await d.state();
  assert.equal(now.name, 'Typed in the break');
  assert.equal(now.history.length, old.history.length + 1, 'sent once');
  assert.equal(await page.locator(t('case-name')).inputValue(), 'Typed in the break');
  await page.locator(t('device-S2')).click();
  await page.locator(t('device-remove')).click();
  await page.locator(t('device-row-S2')).waitFor({ state: 'detached' });
  await until(() => d.state(), (s) => s.seq > now.seq, 'it goes on');
  await w.close();
});

test('the page, a device let go into the break: the move is stored once the server is back, and once only', async () => {
  const w = await openCase(browser, d, 'fixation');
  const { page } = w;
  await page.locator(t('device-S1')).click();
  await settled(page);
  const old = await d.state();
  const box = await page.locator(t('handle-3d-tip')).boundingBox();
  const [x, y] = [box.x + box.width / 2, box.y + box.height / 2];
  await page.mouse.move(x, y);
  await page.mouse.down();
  await page.mouse.move(x + 20, y + 10, { steps: 4 });
  await page.locator(`${t('device-checks')}.trial`).waitFor();
  await d.server.kill();
  await page.mouse.move(x + 40, y + 20, { steps: 4 });
  await page.mouse.up();
  await page.locator(t('lost')).waitFor();
  assert.notEqual(await page.locator(t('saved')).innerText(), '✓ saved');
  await restart();
  await page.locator(t('lost')).waitFor({ state: 'detached' });
  await settled(page);
  const now = await d.state();
  assert.equal(now.history.length, old.history.length + 1, 'one edit for one drag');
  const dev = now.plan.devices.find((e) => e.id === 'S1');
  assert.ok(dev.by_hand);
  assert.notDeepEqual(dev.tip, old.plan.devices.find((e) => e.id === 'S1').tip);
  const row = await page.locator(t('device-row-S1')).innerText();
  assert.match(row, /by hand/);
  assert.ok(row.includes(`${dev.length_mm.toFixed(0)} mm`));
  await w.close();
});

test('the page, shot five times just as an edit is sent: each edit is there once', async () => {
  const w = await openCase(browser, d, 'followup');
  const { page } = w;
  const next = random(7);
  for (let i = 0; i < 5; ++i) {
    await settled(page);
    const old = await d.state();
    await page.locator(t('case-name')).fill(`Shot ${i}`);
    await page.keyboard.press('Enter');
    await new Promise((ok) => setTimeout(ok, next() * 80));
    await d.server.kill();
    await restart();
    await until(() => d.state(), (s) => s.name === `Shot ${i}`, `edit ${i} arrived`, 40_000);
    await page.locator(t('lost')).waitFor({ state: 'detached' });
    await settled(page);
    const now = await d.state();
    assert.equal(now.history.length, old.history.length + 1, `edit ${i} is there once`);
  }
  await w.close();
});
