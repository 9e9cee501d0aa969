// What the plan leaves open: the first thing on the case, in every place, with the way to settle it; and nothing of the
// sort where all is told.
import assert from 'node:assert/strict';
import { cpSync, mkdirSync, mkdtempSync, readFileSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { after, before, test } from 'node:test';
import { footDrawn, goTo, kPlaces, open, openCase, settled, t, until } from './browser.mjs';
import { browser, d } from './fixture.mjs';
import { kRoot, startServer } from './library.mjs';
import { misfits, sound } from './soundness.mjs';

const kUntold = 'cannot be told';
const kDoubt = 'it is put back by 6.9 mm, but its joint fits nearly as well as it stands';
const kWhat = `It cannot be told whether the fourth ray is displaced: ${kDoubt}.`;
const kSettle = 'A CT of the other foot or a weight-bearing film would settle it; else place the ray by hand.';
const kBones = 'The plan stands on a bone that may be wrong by more than 0.5 mm (C3).';
const out = join(kRoot, 'out', 'screens');

let desk;
before(async () => {
  mkdirSync(out, { recursive: true });
  // The planned patient, had the joint of the fourth ray told nothing and the lateral cuneiform been hard to see.
  const folder = mkdtempSync(join(d.scratch, 'untold-'));
  cpSync(d.plan, join(folder, 'plan'), { recursive: true });
  const file = join(folder, 'plan', 'plan.json');
  const plan = JSON.parse(readFileSync(file, 'utf8'));
  plan.injury.rays.find((r) => r.ray === 4).displaced = null;
  plan.reduction.rays.find((r) => r.ray === 4).doubt = kDoubt;
  plan.bones.find((b) => b.id === 'C3').confidence = 0.31;
  for (const name of ['hardcastle', 'myerson']) {
    plan.injury.patterns[name] = kUntold;
    plan.injury.patterns.reasons[name] = 'It depends on the fourth ray, of which it cannot be told whether it is displaced.';
  }
  plan.cautions.push(`${kWhat} ${kSettle}`);
  writeFileSync(file, JSON.stringify(plan));
  const server = await startServer(join(folder, 'cases'), { extra: ['--add-images', d.images, '--add-plan', join(folder, 'plan'), '--add-name', 'Untold'], patience: 120_000 });
  const [row] = await server.get('/api/cases');
  desk = { server, id: row.id, state: () => server.get(`/api/cases/${row.id}`) };
});
after(() => desk?.server.stop());

const notice = (page) => page.locator(t('settle'));

/** Above everything of the case but its head, in the order of reading and on the screen, and wholly in the window. */
async function standsFirst(page, place) {
  const seen = await page.evaluate((sel) => {
    const e = document.querySelector(sel);
    const before = (other) => !other || !!(e.compareDocumentPosition(other) & Node.DOCUMENT_POSITION_FOLLOWING);
    const b = e.getBoundingClientRect();
    const others = ['.bench', '.stage', '.board', '.place', '.board-line', '.theatre'].map((s) => document.querySelector(s)).filter(Boolean);
    return {
      first: others.length > 0 && others.every((o) => before(o) && o.getBoundingClientRect().top >= b.bottom - 1),
      inside: b.top >= 0 && b.bottom <= innerHeight && b.width > innerWidth / 2,
      scrolls: e.scrollHeight > e.clientHeight + 1,
    };
  }, t('settle'));
  assert.deepEqual(seen, { first: true, inside: true, scrolls: false }, place);
}

test('what cannot be told is the first thing on the case, in every place', async (context) => {
  const w = await openCase(browser, desk, 'injury');
  const { page } = w;
  await footDrawn(page);
  assert.equal(await page.getByRole('region', { name: 'To settle first' }).count(), 1);
  assert.ok((await page.locator(t('said')).innerText()).includes(kWhat), 'a screen reader hears it');
  for (const place of kPlaces) {
    await goTo(page, place);
    await settled(page);
    await standsFirst(page, place);
    const words = await notice(page).innerText();
    for (const s of [kWhat, kSettle, kBones]) assert.ok(words.includes(s), `${place}: ${words}`);
    // Neither displaced nor in place.
    const column = await page.locator(`${t('board')} ${t('ray-4')}`).innerText();
    assert.ok(column.includes(kUntold), `${place}: ${column}`);
    assert.ok(!/displaced|in place/.test(column), `${place}: ${column}`);
    await sound(page, place, context);
  }
  await goTo(page, 'injury');
  const rows = await page.locator(`${t('displacement')} tbody tr`).allInnerTexts();
  assert.ok(rows.find((r) => r.trim().startsWith('4')).includes(kUntold));
  assert.equal(rows.filter((r) => r.includes('displaced')).length, 4);
  assert.match(await page.locator(t('patterns')).innerText(), /Hardcastle\s+Cannot be told/);
  assert.ok((await page.locator('.labels .ray-label.untold').innerText()).includes('◊'), 'marked in the foot by a sign, not by colour alone');
  const shape = (ray) => page.locator(`${t('board')} ${t(`ray-${ray}`)} .state .mark`).innerHTML();
  assert.notEqual(await shape(4), await shape(3), 'another sign than that of a displaced ray');
  w.quiet();
  await w.close();
});

test('the theatre looks first, and the second screen says it without buttons', async () => {
  const { theatre } = await desk.state();
  assert.ok(theatre.steps.some((s) => s.title === 'Fourth ray: look first (cannot be told whether displaced)'));
  const w = await open(browser, desk.server, `/watch/${desk.id}`, { width: 1280, height: 720 });
  await w.page.locator(t('theatre')).waitFor();
  await standsFirst(w.page, 'second screen');
  assert.ok((await notice(w.page).innerText()).includes(kWhat));
  assert.equal(await notice(w.page).getByRole('button').count(), 0);
  await w.close();
});

test('each way to settle it leads to where it is done', async () => {
  const w = await openCase(browser, desk, 'fixation');
  const { page } = w;
  assert.equal(await page.locator(`${t('board')} ${t('ray-4')}`).getAttribute('aria-selected'), 'true', 'the ray in question is chosen');
  await page.locator(t('ray-2')).click();
  const focused = (name) => page.waitForFunction((n) => document.activeElement?.dataset.test === n, name);
  for (const [way, place, control] of [
    ['other-4', 'images', 'pick-other'],
    ['film-4', 'images', 'pick-films-before'],
    ['bones-bones', 'images', 'correct-seed'],
    ['by-hand-4', 'reduction', 'move-lateral'],
  ]) {
    await page.locator(t(`settle-${way}`)).click();
    await page.locator(t(`in-${place}`)).waitFor();
    await focused(control);
    const box = await page.locator(t(control)).boundingBox();
    assert.ok(box.y >= 0 && box.y + box.height <= 720, `${way}: ${control} is in sight`);
    await goTo(page, 'fixation');
  }
  await goTo(page, 'reduction');
  assert.equal(await page.locator(`${t('board')} ${t('ray-4')}`).getAttribute('aria-selected'), 'true', 'the ray in question is chosen');
  // Folded, it still says what is open.
  await page.locator(t('settle-fold')).click();
  assert.match(await notice(page).innerText(), /Fourth ray cannot be told/);
  assert.ok(!(await page.locator(t('settle-4')).isVisible()));
  // With other questions it opens by itself.
  await desk.server.edit(desk.id, 'ray.move', { ray: 4, transform: [[1, 0, 0, 0], [0, 1, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1]] });
  await page.locator(t('settle-bones')).waitFor();
  await desk.server.post(`/api/cases/${desk.id}/undo`);
  await page.locator(t('settle-4')).waitFor({ state: 'attached' });
  await page.locator(t('settle-fold')).click();
  assert.ok(await page.locator(t('settle-4')).isVisible());
  w.quiet();
  await w.close();
});

test('a hand settles it, and undo opens it again', async () => {
  const w = await openCase(browser, desk, 'injury');
  const { page } = w;
  const four = async () => (await desk.state()).plan.rays.find((r) => r.ray === 4);
  for (const [way, state] of [
    ['in-place', 'in place'],
    ['as-planned', 'displaced'],
  ]) {
    await page.locator(t(`settle-${way}-4`)).click();
    await page.locator(t('settle-4')).waitFor({ state: 'detached' });
    await until(four, (r) => r.state === state && r.by_hand, way);
    await settled(page);
    assert.ok((await page.locator(`${t('board')} ${t('ray-4')}`).innerText()).includes(state));
    assert.ok((await notice(page).innerText()).includes(kBones), 'the bone is open still');
    await page.locator(t('undo')).click();
    await page.locator(t('settle-4')).waitFor();
    assert.equal((await four()).state, kUntold);
  }
  w.quiet();
  await w.close();
});

for (const size of [
  [1280, 720],
  [1920, 1080],
])
  test(`pictures at ${size.join(' x ')}`, async () => {
    const [width, height] = size;
    const w = await openCase(browser, desk, 'injury', { width, height });
    await footDrawn(w.page);
    await w.page.waitForFunction(() => Number(document.querySelector('[data-test="view-foot"]').dataset.bodies) > 10);
    const wrong = [];
    for (const place of ['injury', 'reduction', 'theatre']) {
      await goTo(w.page, place);
      await settled(w.page);
      await w.page.screenshot({ path: join(out, `untold-${place}-${width}x${height}.png`) });
      wrong.push(...(await misfits(w.page)).map((m) => `${place}: ${m}`));
      for (const pane of await w.page.locator('.pane .view').all()) {
        const box = await pane.boundingBox();
        if (!box || box.width < 180 || box.height < 160) wrong.push(`${place}: a view of ${JSON.stringify(box)}`);
      }
    }
    assert.deepEqual(wrong, []);
    await w.close();
  });

test('nothing of the sort where all is told', async () => {
  const w = await openCase(browser, d, 'injury');
  for (const place of kPlaces) {
    await goTo(w.page, place);
    await settled(w.page);
    assert.equal(await notice(w.page).count(), 0, place);
    assert.ok(!(await w.page.locator('body').innerText()).includes(kUntold), place);
  }
  w.quiet();
  await w.close();
});
