// A real browser on the page, with an ear on everything that goes wrong in it.
import assert from 'node:assert/strict';
import { chromium } from 'playwright-core';

const kArguments = [
  '--no-sandbox',
  '--use-gl=angle',
  '--use-angle=swiftshader',
  '--enable-unsafe-swiftshader',
  // Whatever asks for another machine fails, and is heard.
  '--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1',
  '--disable-background-networking',
  '--disable-component-update',
];

export const launch = () =>
  chromium.launch({ executablePath: process.env.RAYSET_CHROMIUM ?? '/usr/bin/chromium', headless: true, args: kArguments });

export const kPlaces = ['images', 'injury', 'reduction', 'fixation', 'theatre', 'followup'];
export const kPlaceNames = { images: 'Images', injury: 'Injury', reduction: 'Reduction', fixation: 'Fixation', theatre: 'Theatre', followup: 'Follow-up' };
export const t = (name) => `[data-test="${name}"]`;

/** A new window of its own (no cookies shared) on an address of the server. */
export async function open(browser, server, path = '/', { width = 1280, height = 720, touch = false } = {}) {
  const context = await browser.newContext({ viewport: { width, height }, reducedMotion: 'reduce', acceptDownloads: true, hasTouch: touch });
  const page = await context.newPage();
  page.setDefaultTimeout(60_000);
  const heard = { console: [], failed: [], status: [], foreign: [], writes: [], all: [] };
  const here = () => new URL(server.address).host;
  // The same complaint once.
  const complain = (text) => {
    if (!heard.console.some((c) => c.slice(0, 80) === text.slice(0, 80))) heard.console.push(text.slice(0, 400));
  };
  page.on('console', (m) => m.type() === 'error' && complain(m.text()));
  page.on('pageerror', (e) => complain(String(e)));
  page.on('request', (r) => {
    const u = new URL(r.url());
    if (u.protocol === 'data:' || u.protocol === 'blob:') return;
    heard.all.push({ method: r.method(), path: u.pathname + u.search, body: r.postData() });
    if (u.host !== here()) heard.foreign.push(r.url());
    if (r.method() !== 'GET') heard.writes.push(`${r.method()} ${u.pathname}`);
  });
  page.on('requestfailed', (r) => {
    // Taken back by the page itself, as when it leaves a case.
    if (r.failure()?.errorText === 'net::ERR_ABORTED') return;
    heard.failed.push(`${r.method()} ${r.url()}: ${r.failure()?.errorText}`);
  });
  page.on('response', (r) => r.status() >= 400 && heard.status.push(`${r.status()} ${r.request().method()} ${r.url()}`));
  await page.goto(server.address + path);
  return {
    page,
    heard,
    context,
    /** Nothing went wrong so far. */
    quiet() {
      assert.deepEqual(heard.foreign, [], 'requests to other hosts');
      assert.deepEqual(heard.failed, [], 'failed requests');
      assert.deepEqual(heard.status, [], 'refused requests');
      assert.deepEqual(heard.console, [], 'errors on the console');
    },
    forget() {
      for (const list of Object.values(heard)) list.length = 0;
    },
    close: () => context.close(),
  };
}

/** The case at a place, drawn. */
export async function openCase(browser, desk, place, size) {
  const w = await open(browser, desk.server, `/#${desk.id}/${place}`, size);
  try {
    await w.page.locator(t(place === 'theatre' ? 'theatre' : `in-${place}`)).waitFor();
  } catch (error) {
    const shown = await w.page.locator('body').innerText();
    throw new Error(`${place} did not open; shown: ${shown.slice(0, 300)}; asked: ${JSON.stringify(w.heard.all.slice(-12))}`, { cause: error });
  }
  return w;
}

export async function goTo(page, place) {
  await page.locator(t(`place-${place}`)).click();
  await page.locator(t(place === 'theatre' ? 'theatre' : `in-${place}`)).waitFor();
}

export const footDrawn = (page) => page.locator(`${t('view-foot')}[data-shown="true"]`).waitFor();

/** Until the page has nothing under way. */
export async function settled(page) {
  const calm = () => document.querySelector('[data-test="saved"]')?.textContent === '✓ saved' && !document.querySelector('.view.waiting');
  await page.waitForFunction(calm).catch(async (error) => {
    const said = await page.evaluate(() => [...document.querySelectorAll('[data-test="saved"], [data-test="error"], [data-test="lost"]')].map((e) => e.textContent));
    const waiting = await page.locator('.view.waiting').evaluateAll((all) => all.map((e) => e.dataset.test));
    throw new Error(`the page does not come to rest: ${JSON.stringify({ said, waiting })}`, { cause: error });
  });
  await page.evaluate(() => new Promise((ok) => requestAnimationFrame(() => requestAnimationFrame(ok))));
}

// Pictures are decoded in a window of their own: the page under test allows no such thing.
const darkrooms = new WeakMap();
async function darkroom(browser) {
  if (!darkrooms.has(browser)) darkrooms.set(browser, browser.newPage());
  return darkrooms.get(browser);
}

/** Shares of the pixels of what is seen of an element: how many colours, and how much of it is not its commonest. */
export async function look(page, locator) {
  const png = (await locator.screenshot()).toString('base64');
  return (await darkroom(page.context().browser())).evaluate(async (data) => {
    const image = new Image();
    image.src = `data:image/png;base64,${data}`;
    await image.decode();
    const c = new OffscreenCanvas(image.width, image.height);
    const g = c.getContext('2d');
    g.drawImage(image, 0, 0);
    const p = g.getImageData(0, 0, c.width, c.height).data;
    const counts = new Map();
    let orange = 0;
    let blue = 0;
    for (let i = 0; i < p.length; i += 4) {
      const k = ((p[i] >> 4) << 8) | ((p[i + 1] >> 4) << 4) | (p[i + 2] >> 4);
      counts.set(k, (counts.get(k) ?? 0) + 1);
      if (p[i] > p[i + 2] + 50 && p[i + 1] > p[i + 2] + 20) orange += 1;
      if (p[i + 2] > p[i] + 40) blue += 1;
    }
    const n = p.length / 4;
    return { colours: counts.size, drawn: 1 - Math.max(...counts.values()) / n, orange: orange / n, blue: blue / n };
  }, png);
}

/** Waits for what is not on the page: `get` until `good`. */
export async function until(get, good, what, patience = 40_000) {
  const end = Date.now() + patience;
  for (;;) {
    const value = await get();
    if (good(value)) return value;
    if (Date.now() > end) assert.fail(`not within ${patience} ms: ${what}; last ${JSON.stringify(value)?.slice(0, 400)}`);
    await new Promise((ok) => setTimeout(ok, 60));
  }
}

/** The state without what every row changes. */
export function essence(state) {
  const { seq, updated, history, can_undo, can_redo, ...rest } = state;
  void seq, updated, history, can_undo, can_redo;
  return rest;
}
