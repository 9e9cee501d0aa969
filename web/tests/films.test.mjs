// Real films beside the simulated one: given, measured, kept, taken off.
import assert from 'node:assert/strict';
import { writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { before, test } from 'node:test';
import { look, openCase, settled, t, until } from './browser.mjs';
import { browser, d } from './fixture.mjs';

let film;
before(async () => {
  // What the program itself writes of this foot, as if taken before the operation.
  const made = await d.server.ask('GET', `/api/cases/${d.id}/files/films/lateral_injured.dcm`);
  assert.equal(made.status, 200);
  film = join(d.scratch, 'lateral.dcm');
  writeFileSync(film, Buffer.from(await made.arrayBuffer()));
});

const real = t('view-real');

test('a film stands beside the simulated one of the same view, is measured, kept and taken off', async () => {
  const w = await openCase(browser, d, 'injury');
  const { page } = w;
  await page.locator(t('view-large')).selectOption('film');
  await page.locator(t('film-tube')).click();
  await page.locator(t('real-film')).setInputFiles(film);
  await page.locator(`${real}[data-shown="films/0001.dcm"]`).waitFor();
  await settled(page);
  assert.equal(await page.locator(t('film-view')).inputValue(), 'lateral', 'the simulated film takes its view');
  const [stored] = (await d.state()).films;
  assert.equal(stored.view, 'lateral');
  assert.equal(stored.name, 'lateral.dcm');
  const seen = await look(page, page.locator(real));
  assert.ok(seen.colours > 20 && seen.drawn > 0.1, `the film is drawn: ${JSON.stringify(seen)}`);

  // A length, first as shown whole, then nearer: the same two points of the film.
  const box = await page.locator(real).boundingBox();
  const at = (x, y) => page.mouse.click(box.x + box.width / 2 + x, box.y + box.height / 2 + y);
  await page.locator(t('tool-distance')).click();
  await at(-40, 0);
  await at(40, 0);
  let state = await until(() => d.state(), (s) => s.measures_drawn.length === 1, 'the length is kept');
  const [first] = state.measures_drawn;
  assert.equal(first.view, 'film:films/0001.dcm');
  assert.equal(first.state, 'injured');
  await page.mouse.move(box.x + box.width / 2, box.y + box.height / 2);
  for (let i = 0; i < 5; ++i) await page.mouse.wheel(0, -100);
  await settled(page);
  const k = 1.15 ** 5;
  await at(-40 * k, 0);
  await at(40 * k, 0);
  state = await until(() => d.state(), (s) => s.measures_drawn.length === 2, 'the second length is kept');
  const mm = state.measures_drawn.map((m) => Math.hypot(...m.points[0].map((x, i) => x - m.points[1][i])));
  assert.ok(Math.abs(mm[0] - mm[1]) < 0.02 * mm[0], `nearer or not, the same: ${mm}`);
  // Pixels of the picture between the points, times the size the server tells of a pixel.
  const width = await page.locator(`${real} img`).evaluate((e) => ({ natural: e.naturalWidth, shown: e.clientWidth / 1.15 ** 5 }));
  const png = Buffer.from(await (await d.server.ask('GET', `/api/cases/${d.id}/real-film/films/0001.dcm`)).arrayBuffer());
  const pixel = 1000 / png.readUInt32BE(png.indexOf('pHYs') + 4);
  const expected = 80 * (width.natural / width.shown) * pixel;
  assert.ok(Math.abs(mm[0] - expected) < 0.01 * expected, `${mm[0]} mm, ${expected} expected`);
  await page.locator(t('tool-angle')).click();
  await at(-60, 0);
  await at(0, 0);
  await at(0, -60);
  state = await until(() => d.state(), (s) => s.measures_drawn.length === 3, 'the angle is kept');
  assert.ok(Math.abs(state.measures_drawn[2].value - 90) < 1.5, `${state.measures_drawn[2].value} degrees`);
  w.quiet();
  await w.close();

  // Another day, another browser.
  const later = await openCase(browser, d, 'images');
  await later.page.locator(`${t('films')} button`).first().click();
  await later.page.locator(`${real}[data-shown="films/0001.dcm"]`).waitFor();
  await settled(later.page);
  assert.equal(await later.page.locator(`${real} .measure`).count(), 3, 'what was measured is there');
  await later.page.locator(t('film-remove')).click();
  await until(() => d.state(), (s) => s.films.length === 0, 'taken off');
  await later.page.locator(`${real}[data-shown]`).waitFor({ state: 'detached' });
  await later.page.locator(t('undo')).click();
  await later.page.locator(`${real}[data-shown="films/0001.dcm"]`).waitFor();
  assert.equal((await d.state()).films.length, 1);
  later.quiet();
  await later.close();
});

test('what is no film is told by its name and changes nothing', async () => {
  const w = await openCase(browser, d, 'images');
  const { page } = w;
  const old = await d.state();
  await page.locator(t('pick-films-before')).setInputFiles({ name: 'letter.txt', mimeType: 'text/plain', buffer: Buffer.from('Dear colleague') });
  const error = page.locator(t('error')).first();
  await error.waitFor();
  const words = await error.innerText();
  assert.match(words, /letter\.txt/);
  assert.match(words, /PNG and JPEG/);
  await until(() => d.state(), (s) => !s.job && (s.uploads.films ?? []).length === 0, 'nothing waits');
  assert.deepEqual((await d.state()).films, old.films);
  w.quiet();
  await w.close();
});
