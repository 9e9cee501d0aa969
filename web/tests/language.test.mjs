// Every word on the page comes from the words: in a made-up language (tests/pseudo_language.py), whose letters all wear
// accents, nothing is left in plain ones. What is, was written where it should have been a code.
import assert from 'node:assert/strict';
import { execFileSync } from 'node:child_process';
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { after, test } from 'node:test';
import { footDrawn, goTo, kPlaces, launch, open, openCase, t } from './browser.mjs';
import { desk, kCaseName, kRoot } from './library.mjs';

const data = mkdtempSync(join(tmpdir(), 'rayset-words-'));
execFileSync('python3', [join(kRoot, 'tests', 'pseudo_language.py'), join(kRoot, 'data'), data]);
const d = await desk({ extra: ['--data', data, '--language', 'xx'] });
const browser = await launch();
after(async () => {
  await browser.close();
  await d.end();
  rmSync(data, { recursive: true, force: true });
});

// Not ours to translate: names, ids, terms that are the same in every language, "at" of a Finnish date.
const kSame = [kCaseName, 'Rayset', 'Hardcastle', 'Myerson', 'DICOM', 'tibia', 'fibula', 'sesamoids', 'toes', 'INVENTED', 'DEMO FOOT', 'klo'];

/** All that can be read or heard. */
const shown = (page) =>
  page.evaluate(() => {
    const out = [document.title];
    const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_ELEMENT | NodeFilter.SHOW_TEXT, {
      // Citations and what was typed or stands in files; scripts.
      acceptNode: (n) => (n.nodeType === 1 && (n.matches('script, style, noscript, .source, .citation, kbd, [data-foreign]') || n.tagName === 'OPTION' && n.closest('[data-foreign]')) ? NodeFilter.FILTER_REJECT : NodeFilter.FILTER_ACCEPT),
    });
    for (let n = walk.currentNode; n; n = walk.nextNode()) {
      if (n.nodeType === 3) out.push(n.textContent);
      else for (const a of ['aria-label', 'title', 'placeholder', 'alt']) if (n.getAttribute(a)) out.push(n.getAttribute(a));
    }
    return out;
  });

/** Texts with words of three letters and more without an accent. */
async function plain(page) {
  const found = new Set();
  for (const text of await shown(page)) {
    let rest = text;
    for (const same of kSame) rest = rest.replaceAll(same, '');
    if (/(?<![\p{L}\d.])[A-Za-z]{3,}(?![\p{L}\d.])/u.test(rest.replace(/\b(Cub|Nav|Tal|Cal)\b|\S+\.(png|dcm|json|pdf|stl|nrrd|csv|ics)\b|\b(dorsoplantar|oblique)-\d+( lateral)?/g, ''))) found.add(text.trim().slice(0, 90));
  }
  return [...found];
}

test('no word is left in plain letters', async () => {
  const w = await openCase(browser, d, 'injury', { width: 1600, height: 900 });
  const { page } = w;
  await footDrawn(page);
  const left = [];
  for (const place of kPlaces) {
    await goTo(page, place);
    await page.waitForFunction(() => !document.querySelector('.view.waiting'));
    left.push(...(await plain(page)));
  }
  await goTo(page, 'fixation');
  for (const id of (await d.state()).plan.devices.map((x) => x.id).slice(0, 2)) {
    await page.locator(t(`device-${id}`)).first().click();
    left.push(...(await plain(page)));
  }
  await page.locator(t('view-large')).selectOption('film');
  await page.waitForFunction(() => !document.querySelector('.view.waiting'));
  left.push(...(await plain(page)));
  await page.locator(t('history-open')).click();
  left.push(...(await plain(page)));
  await w.close?.();
  const list = await open(browser, d.server, '/');
  await list.page.waitForLoadState('networkidle').catch(() => undefined);
  left.push(...(await plain(list.page)));
  // What stands in the headers of the images.
  const told = JSON.stringify((await d.state()).images);
  const unsaid = [...new Set(left)].filter((text) => !told.includes(JSON.stringify(text).slice(1, -1)));
  assert.deepEqual(unsaid, [], unsaid.join('\n'));
});
