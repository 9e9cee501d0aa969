// Two browsers on one case, and the second screen in theatre.
import assert from 'node:assert/strict';
import { test } from 'node:test';
import { open, openCase, settled, t, until } from './browser.mjs';
import { browser, d } from './fixture.mjs';

test('an edit in one browser appears in the other', async () => {
  const a = await openCase(browser, d, 'fixation');
  const b = await openCase(browser, d, 'fixation');
  await a.page.locator(t('case-name')).fill('Named in A');
  await a.page.keyboard.press('Enter');
  await b.page.waitForFunction(() => document.querySelector('[data-test="case-name"]').value === 'Named in A');
  await b.page.locator(t('device-S3')).click();
  await settled(b.page);
  await b.page.locator(t('device-remove')).click();
  await a.page.locator(t('device-row-S3')).waitFor({ state: 'detached' });
  await a.page.locator(t('undo')).click();
  await b.page.locator(t('device-row-S3')).waitFor();
  // Both at once: nothing is lost, both end up the same.
  const old = await d.state();
  await Promise.all([
    a.page.evaluate(() => undefined).then(async () => {
      await a.page.locator(t('device-W1')).click();
      await a.page.locator(t('device-remove')).click();
    }),
    (async () => {
      await b.page.locator(t('device-W2')).click();
      await b.page.locator(t('device-remove')).click();
    })(),
  ]);
  await until(() => d.state(), (s) => s.history.length === old.history.length + 2, 'both edits are stored');
  for (const w of [a, b])
    for (const id of ['W1', 'W2']) await w.page.locator(t(`device-row-${id}`)).waitFor({ state: 'detached' });
  a.quiet();
  b.quiet();
  await a.close();
  await b.close();
});

test('what a lost connection swallowed is sent again and stored once, whatever another browser did', async () => {
  const a = await openCase(browser, d, 'fixation');
  const name = async (text) => {
    await a.page.locator(t('case-name')).fill(text);
    await a.page.keyboard.press('Enter');
  };
  const rows = async () => (await d.server.get(`/api/cases/${d.id}/case.json`)).history.filter((h) => h.kind === 'case.name').map((h) => h.payload.text);
  const old = await rows();
  for (const [mine, other, arrives] of [
    ['A, answer lost', 'B, between', true],
    ['A, request lost', 'B, meanwhile', false],
  ]) {
    let once = 0;
    await a.page.route('**/edits', async (route) => {
      if (once++ > 0) return route.continue();
      if (arrives) await route.fetch();
      // Of the same kind, before ours is sent again.
      await d.server.post(`/api/cases/${d.id}/edits`, { kind: 'case.name', text: other });
      await route.abort('connectionreset');
    });
    await name(mine);
    await until(rows, (r) => r.includes(mine), `"${mine}" is stored`);
    await settled(a.page);
    await a.page.unroute('**/edits');
    assert.equal(once, 2, 'sent twice');
  }
  assert.deepEqual((await rows()).slice(old.length), ['A, answer lost', 'B, between', 'B, meanwhile', 'A, request lost']);
  await a.close();
});

test('what is being typed and what is being asked stay while edits from elsewhere arrive', async () => {
  const w = await openCase(browser, d, 'fixation');
  const { page } = w;
  const name = page.locator(t('case-name'));
  const focused = () => page.evaluate(() => [document.activeElement.dataset.test, document.activeElement.selectionStart]);
  await name.fill('Half a na');
  await page.keyboard.press('ArrowLeft');
  await d.server.edit(d.id, 'device.remove', { id: 'S3' });
  await page.locator(t('device-row-S3')).waitFor({ state: 'detached' });
  assert.equal(await name.inputValue(), 'Half a na');
  assert.deepEqual(await focused(), ['case-name', 8], 'the caret is where it was');
  // A name that was given meanwhile is shown: what was typed would be for another.
  await d.server.edit(d.id, 'case.name', { text: 'Named elsewhere' });
  await page.waitForFunction(() => document.querySelector('[data-test="case-name"]').value === 'Named elsewhere');
  await name.fill('   ');
  await name.blur();
  await d.server.post(`/api/cases/${d.id}/undo`, {});
  await page.waitForFunction((old) => document.querySelector('[data-test="case-name"]').value === old, (await d.state()).name);

  await page.evaluate(() => {
    const dataTransfer = new DataTransfer();
    dataTransfer.items.add(new File(['x'], 'a.dcm'));
    document.body.dispatchEvent(new DragEvent('drop', { dataTransfer, bubbles: true }));
  });
  const asked = page.locator('dialog.question');
  await asked.waitFor();
  await d.server.post(`/api/cases/${d.id}/undo`, {});
  await page.locator(t('device-row-S3')).waitFor();
  assert.ok(await asked.evaluate((e) => e.open && e.matches(':modal')), 'it is still asked, above everything else');
  await page.keyboard.press('Escape');
  await asked.waitFor({ state: 'detached' });
  w.quiet();
  await w.close();
});

test('a list of cases shows a case made elsewhere', async () => {
  const a = await open(browser, d.server);
  await a.page.locator(t('cases')).waitFor();
  const made = await d.server.post('/api/cases', { name: 'Made elsewhere' });
  await a.page.locator(t(`case-${made.id}`)).waitFor();
  a.quiet();
  await a.close();
});

test('the second screen follows the steps and writes nothing', async () => {
  const first = await openCase(browser, d, 'theatre');
  const [second] = await Promise.all([
    first.context.waitForEvent('page'),
    first.page.locator(t('watch-link')).click(),
  ]);
  await second.close();
  const watch = await open(browser, d.server, `/watch/${d.id}`, { width: 1280, height: 720 });
  await watch.page.locator(t('theatre')).waitFor();
  const title = (w) => w.page.locator(t('step-title')).innerText();
  assert.equal(await title(watch), await title(first));
  const steps = (await d.state()).theatre.steps;
  for (let i = 1; i <= 4; ++i) {
    await first.page.locator(t('step-next')).click();
    await watch.page.waitForFunction((s) => document.querySelector('[data-test="step-title"]').innerText === s, steps[i].title);
    await settled(first.page);
  }
  await first.page.locator(t('step-back')).click();
  await watch.page.waitForFunction((s) => document.querySelector('[data-test="step-title"]').innerText === s, steps[3].title);
  // Everything that would change something elsewhere.
  const old = await d.state();
  for (const key of ['Space', 'PageDown', 'PageUp', '2', '4', 'Control+z', 'Control+Shift+z', 'Enter']) await watch.page.keyboard.press(key);
  assert.equal(await watch.page.locator('input:not([type=range]), textarea').count(), 0, 'nothing to type into');
  for (const b of await watch.page.locator('button:visible').all()) await b.click();
  await watch.page.waitForTimeout(300);
  assert.equal((await d.state()).seq, old.seq);
  assert.deepEqual(watch.heard.writes, [], 'the second screen sends no writing request');
  assert.match(await watch.page.locator('main').innerText(), /changes nothing/);
  watch.quiet();
  first.quiet();
  await watch.close();
  await first.close();
});
