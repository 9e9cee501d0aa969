// The six places: each opens, holds what belongs there, and nothing goes wrong on the way.
import assert from 'node:assert/strict';
import { cpSync, mkdtempSync, readFileSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { before, test } from 'node:test';
import { footDrawn, goTo, kPlaceNames, kPlaces, look, open, openCase, settled, t } from './browser.mjs';
import { browser, d } from './fixture.mjs';
import { kCaseName, startServer } from './library.mjs';
import { device, measure, planned } from '../unit/state.mjs';

let state;
before(async () => {
  state = await d.state();
});

const texts = (locator) => locator.allInnerTexts();

// What a surgeon looks for in each place, against what the server holds.
const kMain = {
  async images(page) {
    const rows = page.locator(`${t('bones')} tbody tr`);
    assert.equal(await rows.count(), state.plan.bodies.length, 'bones found');
    const facts = await page.locator('dl.facts').innerText();
    assert.ok(facts.includes(state.images.size.join(' × ')), `size of the scan in "${facts}"`);
    await page.locator(t('view-along')).waitFor();
  },
  async injury(page) {
    const cells = await texts(page.locator(`${t('displacement')} tbody tr`));
    assert.equal(cells.length, 5);
    for (const r of state.plan.rays) {
      const row = cells.find((c) => c.trim().startsWith(String(r.ray)));
      assert.ok(row.includes(r.state), `ray ${r.ray}: ${row}`);
      if (r.shift_mm && Math.abs(r.shift_mm.lateral) >= 0.05) {
        const way = r.shift_mm.lateral > 0 ? 'lateral' : 'medial';
        assert.ok(row.includes(`${Math.abs(r.shift_mm.lateral).toFixed(1)} ${way}`), `ray ${r.ray} goes ${way}: ${row}`);
      }
    }
    assert.ok((await page.locator(t('patterns')).innerText()).includes(state.plan.patterns.myerson));
    assert.equal(await page.locator(`${t('measures')} tbody tr`).count(), state.plan.measures.length);
  },
  async reduction(page) {
    const order = await texts(page.locator(`${t('order')} li button`));
    const words = ['', 'First', 'Second', 'Third', 'Fourth', 'Fifth'];
    assert.deepEqual(order, state.plan.reduction.order.map((n) => words[n]));
    assert.equal(await page.locator('.freedom button').count(), 12);
  },
  async fixation(page) {
    for (const d of state.plan.devices) {
      const row = await page.locator(t(`device-row-${d.id}`)).innerText();
      assert.ok(row.includes(`${d.length_mm.toFixed(0)} mm`), `${d.id}: ${row}`);
      assert.ok(row.includes(d.through.join(' → ')), `${d.id}: ${row}`);
    }
    await page.locator(t('view-drill')).waitFor();
  },
  async theatre(page) {
    const step = state.theatre.steps.find((s) => !s.done);
    assert.equal(await page.locator(t('step-title')).innerText(), step.title);
    assert.ok((await page.locator('main').innerText()).includes(`Step 1 of ${state.theatre.steps.length}`));
  },
  async followup(page) {
    assert.equal(await page.locator(`${t('followup-plan')} > li`).count(), state.followup.plan.length);
    await page.locator(t('surgery-date')).waitFor();
    const list = await d.server.get(`/api/cases/${d.id}/exports`);
    await page.waitForFunction((n) => document.querySelectorAll('[data-test="exports"] a').length >= n, list.length);
  },
};

async function boardStands(page, place) {
  const board = page.locator(t('board'));
  assert.ok(await board.isVisible(), `the ray board is in sight in ${place}`);
  const rays = await board.locator('[data-test^="ray-"]').evaluateAll((all) => all.map((e) => Number(e.dataset.test.slice(4))));
  assert.deepEqual(rays, state.plan.side === 'left' ? [5, 4, 3, 2, 1] : [1, 2, 3, 4, 5], 'rays as seen from the head of the table');
  const box = await board.boundingBox();
  assert.ok(box.y + box.height <= page.viewportSize().height + 1, `the whole board is in the window in ${place}`);
}

test('a plan that was made with corrections brings them into its case', async () => {
  const folder = mkdtempSync(join(d.scratch, 'corrected-'));
  cpSync(d.plan, join(folder, 'plan'), { recursive: true });
  const file = join(folder, 'plan', 'plan.json');
  const plan = JSON.parse(readFileSync(file, 'utf8'));
  const seeds = [{ bone: 'M2', point: state.plan.axis['2'].base }];
  plan.edits = { file: 'edits.json', request: { schema: 'rayset.edits/1', side: state.plan.side, seeds }, applied: ['One seed.'] };
  writeFileSync(file, JSON.stringify(plan));
  const server = await startServer(join(folder, 'cases'), { extra: ['--add-images', d.images, '--add-plan', join(folder, 'plan'), '--add-name', 'Corrected'], patience: 120_000 });
  try {
    const [row] = await server.get('/api/cases');
    const s = await server.get(`/api/cases/${row.id}`);
    assert.deepEqual(s.edits, { seeds });
    assert.equal(s.stale, false, 'the plan rests on them');
    const undone = (await server.post(`/api/cases/${row.id}/undo`)).state;
    assert.equal(undone.stale, true, 'without them it would be another plan');
  } finally {
    await server.stop();
  }
});

test('what the engine tells of missing bones and of limits on the difference from the other foot is told in words', async () => {
  const folder = mkdtempSync(join(d.scratch, 'missing-'));
  cpSync(d.plan, join(folder, 'plan'), { recursive: true });
  const file = join(folder, 'plan', 'plan.json');
  const plan = JSON.parse(readFileSync(file, 'utf8'));
  plan.bones = plan.bones.filter((b) => b.id !== 'Nav');
  Object.assign(plan.injury.measures.find((m) => m.key === 'c1_m2_distance'), { limit: 3, limit_on: 'side difference', other_side: 2.5, difference: 3.4, abnormal: true });
  writeFileSync(file, JSON.stringify(plan));
  const server = await startServer(join(folder, 'cases'), { extra: ['--add-images', d.images, '--add-plan', join(folder, 'plan'), '--add-name', 'No navicular'], patience: 120_000 });
  try {
    const [row] = await server.get('/api/cases');
    const w = await openCase(browser, { server, id: row.id }, 'images');
    assert.equal(await w.page.locator(t('missing')).innerText(), '▲ Not found: Nav.');
    await goTo(w.page, 'injury');
    assert.match(await w.page.locator(`${t('measures')} tbody tr`).first().innerText(), /side difference ≤ 3 mm/);
    await w.close();
  } finally {
    await server.stop();
  }
});

/** Where `made` has what `real` has not, or of another kind; lists by their first entries, nothing against nothing. */
function unlike(made, real, path = 'state') {
  if (made === null || real === null) return [];
  if (Array.isArray(made) && Array.isArray(real)) return made.length && real.length ? unlike(made[0], real[0], `${path}[]`) : [];
  if (Array.isArray(made) || Array.isArray(real) || typeof made !== typeof real) return [`${path}: ${JSON.stringify(made)} for ${JSON.stringify(real)}`];
  if (typeof made !== 'object') return [];
  return Object.keys(made).flatMap((k) => (k in real ? unlike(made[k], real[k], `${path}.${k}`) : [`${path}.${k} is made up`]));
}

test('the state that the unit tests make up is like the one the server tells', () => {
  const made = planned({ plan: { devices: [device('S1', 1)], measures: [measure('m')] } });
  assert.deepEqual(unlike(made, state), []);
  assert.deepEqual(Object.keys(state.plan.rays[0]).sort(), Object.keys(made.plan.rays[0]).sort());
  assert.deepEqual(Object.keys(state.plan.devices[0]).sort(), Object.keys(made.plan.devices[0]).sort());
});

test('keys 1 to 6 open the places', async () => {
  const w = await openCase(browser, d, 'followup');
  for (const [i, place] of kPlaces.entries()) {
    await w.page.keyboard.press(String(i + 1));
    await w.page.locator(t(place === 'theatre' ? 'theatre' : `in-${place}`)).waitFor();
    assert.equal(await w.page.locator('nav [aria-current="page"]').innerText().then((s) => s.replace(/^\d/, '').trim()), kPlaceNames[place]);
    await kMain[place](w.page);
    await boardStands(w.page, place);
    await settled(w.page);
  }
  w.quiet();
  await w.close();
});

test('clicks open the places; every view draws', async () => {
  const w = await openCase(browser, d, 'injury');
  await footDrawn(w.page);
  for (const place of kPlaces) {
    await goTo(w.page, place);
    await kMain[place](w.page);
    await settled(w.page);
    if (place === 'theatre') continue;
    for (const pane of await w.page.locator('.pane .view').all()) {
      const seen = await look(w.page, pane);
      assert.ok(seen.colours > 12 && seen.drawn > 0.05, `${place}: ${await pane.getAttribute('data-test')} shows ${JSON.stringify(seen)}`);
    }
  }
  await goTo(w.page, 'injury');
  for (const kind of ['along', 'across', 'film', 'drill', 'foot']) {
    await w.page.locator(t('view-large')).selectOption(kind);
    const view = w.page.locator(t(`view-${kind}`));
    await view.waitFor();
    await settled(w.page);
    if (kind === 'film') await w.page.waitForFunction(() => document.querySelector('[data-test="view-film"] img')?.naturalWidth > 0);
    const seen = await look(w.page, view);
    assert.ok(seen.colours > 12 && seen.drawn > 0.05, `${kind} shows ${JSON.stringify(seen)}`);
    assert.ok(await w.page.locator('.pane').count() <= 2, 'never more than two views');
  }
  w.quiet();
  await w.close();
});

test('orange as scanned, blue where it belongs, and the words at the edges agree with the board', async () => {
  const w = await openCase(browser, d, 'injury');
  await footDrawn(w.page);
  await w.page.waitForFunction((n) => Number(document.querySelector('[data-test="view-foot"]').dataset.bodies) === n, state.plan.bodies.length);
  const foot = w.page.locator(t('view-foot'));
  await settled(w.page);
  const found = await look(w.page, foot);
  const ends = await texts(w.page.locator('.board .ends span'));
  const edge = (name) => foot.locator(`.edge.${name}`).innerText();
  assert.equal((await edge('left')).toLowerCase(), ends[0].toLowerCase());
  assert.equal((await edge('right')).toLowerCase(), ends.at(-1).toLowerCase());
  assert.equal((await edge('top')).toLowerCase(), 'distal');
  const across = w.page.locator(t('view-across'));
  assert.equal((await across.locator('.edge.left').innerText()).toLowerCase(), ends[0].toLowerCase(), 'the slice across is not mirrored to the board');
  assert.equal((await across.locator('.edge.top').innerText()).toLowerCase(), 'dorsal');
  await w.page.locator(t('state-reduced')).click();
  await settled(w.page);
  const back = await look(w.page, foot);
  assert.ok(found.orange > 2 * back.orange, `orange ${found.orange} as scanned, ${back.orange} reduced`);
  assert.ok(back.blue > 2 * found.blue, `blue ${back.blue} reduced, ${found.blue} as scanned`);
  w.quiet();
  await w.close();
});

test('choosing a column turns every view to that ray', async () => {
  const w = await openCase(browser, d, 'injury');
  await w.page.locator(t('view-large')).selectOption('along');
  await settled(w.page);
  for (const ray of [4, 1]) {
    w.forget();
    await w.page.locator(t(`ray-${ray}`)).click();
    await settled(w.page);
    assert.equal(await w.page.locator(t(`ray-${ray}`)).getAttribute('aria-selected'), 'true');
    const asked = w.heard.all.filter((r) => r.path.includes('/slice?')).map((r) => new URLSearchParams(r.path.split('?')[1]).get('ray'));
    assert.ok(asked.length > 0 && asked.every((n) => Number(n) === ray), `slices asked for: rays ${asked}`);
    for (const word of await texts(w.page.locator('.pane .subject'))) assert.match(word, ray === 4 ? /fourth/ : /first/);
  }
  w.quiet();
  await w.close();
});

test('the list finds, opens and hides cases', async () => {
  const made = await d.server.post('/api/cases', { name: 'Zebra second' });
  const w = await open(browser, d.server);
  const cases = w.page.locator(`${t('cases')} > li`);
  await w.page.locator(t(`case-${made.id}`)).waitFor();
  assert.equal(await cases.count(), 2);
  await w.page.locator(t('search')).fill('zebra');
  await w.page.locator(t(`case-${d.id}`)).waitFor({ state: 'detached' });
  await w.page.locator(t('search')).fill('');
  await w.page.locator(t(`case-${d.id}`)).click();
  await w.page.locator(t('in-injury')).waitFor();
  assert.equal(await w.page.locator(t('case-name')).inputValue(), kCaseName);
  assert.ok(w.page.url().includes(d.id), 'the address holds the case, so a reload comes back to it');
  await w.page.reload();
  await w.page.locator(t('in-injury')).waitFor();
  await w.page.locator(t('home')).click();
  await w.page.locator(t(`case-${made.id}`)).click();
  await w.page.locator(t('history-open')).click();
  await w.page.locator(t('hide')).click();
  await settled(w.page);
  assert.equal((await d.state(made.id)).hidden, true);
  await w.page.locator(t('home')).click();
  await w.page.locator(t(`case-${d.id}`)).waitFor();
  await w.page.locator(t(`case-${made.id}`)).waitFor({ state: 'detached' });
  await w.page.locator(t('show-hidden')).check();
  await w.page.locator(t(`case-${made.id}`)).waitFor();
  w.quiet();
  await w.close();
});
