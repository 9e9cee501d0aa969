// Images given through the page's file inputs: good ones, and every sort of bad ones.
import assert from 'node:assert/strict';
import { createWriteStream, existsSync, mkdirSync, readFileSync, readdirSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { before, test } from 'node:test';
import { essence, open, openCase, settled, t, until } from './browser.mjs';
import { browser, d } from './fixture.mjs';
import { zipOf } from './zip.mjs';

let slices;
before(async () => {
  slices = readdirSync(d.images).filter((f) => !f.startsWith('.')).sort().map((f) => join(d.images, f));
});

const folder = (name) => {
  const f = join(d.scratch, name);
  mkdirSync(f, { recursive: true });
  return f;
};
const same = (state) => {
  const { uploads, job, ...rest } = essence(state);
  void uploads, job;
  return rest;
};

/** Gives files to a planned case; what the page then says. */
async function refused(give) {
  const w = await openCase(browser, d, 'images');
  const { page } = w;
  await settled(page);
  const old = await d.state();
  await give(page);
  await page.locator(t('error')).first().waitFor({ timeout: 60_000 });
  await until(() => d.state(), (s) => !s.job, 'no job is left running');
  const words = (await page.locator(t('error')).allInnerTexts()).join('\n');
  assert.deepEqual(same(await d.state()), same(old), 'the case is unchanged');
  assert.equal((await d.state()).seq, old.seq, 'nothing in its history');
  assert.doesNotMatch(words, /undefined|null|\[object|status \d{3}|exception|std::/i);
  assert.ok(words.trim().length > 30, words);
  assert.ok(await page.locator(`${t('error')} p`).count() > 0, `what to do about it is said: ${words}`);
  assert.deepEqual(w.heard.console.filter((e) => !/status of 4\d\d/.test(e)), [], 'no error but the refusal');
  await page.locator(t('error-close')).first().click();
  // What was sent can be dropped, and is then gone.
  await d.server.ask('DELETE', `/api/cases/${d.id}/upload/images`);
  await w.close();
  return words;
}

test('an empty folder', async (context) => {
  const words = await refused((page) => page.locator(t('pick-folder')).setInputFiles(folder('empty')).then(() => page.locator(t('pick-folder')).dispatchEvent('change')));
  context.diagnostic(words);
  assert.match(words, /no files/i);
});

test('a text file called .dcm', async (context) => {
  const f = folder('text');
  writeFileSync(join(f, 'slice.dcm'), 'This is no image.\n'.repeat(40));
  const words = await refused((page) => page.locator(t('pick-folder')).setInputFiles(f));
  context.diagnostic(words);
  assert.match(words, /DICOM|image/i);
});

test('an archive with paths out of its folder', async (context) => {
  const archive = join(folder('zip'), 'outside.zip');
  writeFileSync(archive, zipOf([['ct/1.dcm', readFileSync(slices[0])], ['../../../../outside-rayset.txt', Buffer.from('out')], ['../../library.sqlite', Buffer.from('out')]]));
  const words = await refused((page) => page.locator(t('pick-archive')).setInputFiles(archive));
  context.diagnostic(words);
  assert.match(words, /outside|path|\.\./i);
  for (let up = d.cases, i = 0; i < 4; ++i, up = join(up, '..')) assert.ok(!existsSync(join(up, 'outside-rayset.txt')), `nothing was written to ${up}`);
  assert.equal((await d.server.get('/api/cases')).length, 1, 'the library is as it was');
});

test('a damaged archive', async (context) => {
  const archive = join(folder('zip'), 'damaged.zip');
  const whole = zipOf(slices.slice(0, 4).map((f, i) => [`ct/${i}.dcm`, readFileSync(f)]));
  writeFileSync(archive, whole.subarray(0, whole.length / 2));
  const words = await refused((page) => page.locator(t('pick-archive')).setInputFiles(archive));
  context.diagnostic(words);
});

test('a truncated DICOM', async (context) => {
  const f = folder('truncated');
  slices.slice(0, 30).forEach((file, i) => {
    const bytes = readFileSync(file);
    writeFileSync(join(f, `${i}.dcm`), i === 14 ? bytes.subarray(0, Math.floor(bytes.length * 0.4)) : bytes);
  });
  const words = await refused((page) => page.locator(t('pick-folder')).setInputFiles(f));
  context.diagnostic(words);
  assert.match(words, /cut off|truncated|damaged|incomplete|ends|missing/i);
});

test('a bad folder given to the list leaves an empty case that says so', async () => {
  const f = folder('text2');
  writeFileSync(join(f, 'notes.dcm'), 'nothing');
  const w = await open(browser, d.server);
  await w.page.locator(t('new-folder')).setInputFiles(f);
  await w.page.locator(t('error')).first().waitFor();
  await w.page.locator(t('in-images')).waitFor();
  const id = /#([^/]+)/.exec(w.page.url())[1];
  const state = await until(() => d.state(id), (s) => !s.job, 'no job');
  assert.equal(state.status, 'empty');
  assert.equal(state.images, null);
  await w.close();
});

/** Watches what the page tells of progress. */
const watchProgress = (page) =>
  page.evaluate(() => {
    window.told = [];
    new MutationObserver(() => {
      const p = document.querySelector('[data-test="progress"]');
      const words = p?.innerText.replace(/\n/g, ' ');
      if (words && words !== window.told.at(-1)) window.told.push(words);
    }).observe(document.body, { subtree: true, childList: true, characterData: true, attributes: true });
  });

test('a folder: sent and read with its progress shown, then a plan begun and stopped', async (context) => {
  const w = await open(browser, d.server);
  const { page } = w;
  await watchProgress(page);
  await page.locator(t('new-folder')).setInputFiles(d.images);
  await page.locator(t('in-images')).waitFor();
  const id = /#([^/]+)/.exec(page.url())[1];
  // Once read, planning begins by itself.
  await until(() => d.state(id), (s) => s.status === 'imported' && s.job?.kind === 'plan', 'read, and planning', 150_000);
  await page.waitForFunction(() => /^Planning/.test(document.querySelector('[data-test="progress"]')?.innerText ?? ''));
  const told = await page.evaluate(() => window.told);
  context.diagnostic(`${told.length} words of progress: ${told.filter((_, i) => i % Math.ceil(told.length / 6) === 0).join(' | ')}`);
  assert.ok(told.filter((x) => /^Sending/.test(x)).length > 2, 'sending is seen to go on');
  assert.ok(told.some((x) => /^Reading/.test(x)), `reading is seen: ${told.slice(-5)}`);
  await page.locator(t('stop-job')).click();
  const state = await until(() => d.state(id), (s) => !s.job, 'stopped', 60_000);
  assert.equal(state.status, 'imported');
  assert.equal(state.plan, null);
  assert.deepEqual(state.uploads.images, [], 'what was sent is in the case, not beside it');
  await page.locator(t('progress')).waitFor({ state: 'detached' });
  assert.match(await page.locator(t('said')).textContent(), /Stopped/);
  assert.ok((await page.locator('dl.facts').innerText()).includes(state.images.size.join(' × ')));
  assert.ok(await page.locator('img.preview').evaluate((i) => i.complete && i.naturalWidth > 20), 'the scan is shown');
  // Begun again by hand, and stopped.
  await page.locator(t('plan')).click();
  await until(() => d.state(id), (s) => s.job?.kind === 'plan', 'planning');
  await page.locator(t('stop-job')).click();
  await until(() => d.state(id), (s) => !s.job && s.status === 'imported', 'stopped', 60_000);
  w.quiet();
  await w.close();
});

test('an archive: reading it stopped, then read', async () => {
  const archive = join(folder('zip'), 'foot.zip');
  const out = createWriteStream(archive);
  out.end(zipOf(slices.map((f, i) => [`foot/ct/${String(i).padStart(4, '0')}.dcm`, readFileSync(f)])));
  await new Promise((ok) => out.on('close', ok));
  const w = await open(browser, d.server);
  const { page } = w;
  const made = await d.server.post('/api/cases', { name: 'From an archive' });
  await page.locator(t(`case-${made.id}`)).click();
  await page.locator(t('in-images')).waitFor();
  await page.locator(t('pick-archive')).setInputFiles(archive);
  await until(() => d.state(made.id), (s) => s.job?.kind === 'import', 'reading', 60_000);
  await page.locator(t('stop-job')).click();
  const stopped = await until(() => d.state(made.id), (s) => !s.job, 'stopped', 60_000);
  assert.equal(stopped.status, 'empty');
  assert.equal(stopped.images, null);
  assert.match(await page.locator(t('said')).textContent(), /Stopped/);
  // What was sent is still there and can be read without sending it again.
  await page.locator(t('read-uploaded')).click();
  await until(() => d.state(made.id), (s) => s.status === 'imported', 'read', 120_000);
  const now = await until(() => d.state(made.id), (s) => s.job?.kind === 'plan', 'planning begins');
  assert.equal(now.images.files ?? slices.length, slices.length);
  await page.locator(t('stop-job')).click();
  await until(() => d.state(made.id), (s) => !s.job, 'stopped', 60_000);
  w.quiet();
  await w.close();
});
