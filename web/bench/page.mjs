// How fast the page is: first view of a planned case, dragging a device, slices and films. Prints a table.
//   RAYSET_PROGRAM=... [RAYSET_DEMO_IMAGES=... RAYSET_DEMO_PLAN=...] node web/bench/page.mjs
import { readFileSync } from 'node:fs';
import { cpus, loadavg } from 'node:os';
import { launch, open, t } from '../tests/browser.mjs';
import { desk } from '../tests/library.mjs';

const median = (list) => {
  const s = [...list].sort((a, b) => a - b);
  const h = s.length >> 1;
  return s.length % 2 ? s[h] : (s[h - 1] + s[h]) / 2;
};
const ms = (x) => `${x < 10 ? x.toFixed(1) : x.toFixed(0)} ms`;
const rows = [];
const row = (what, middle, worst, cpu, note = '') => rows.push([what, middle, worst, cpu, note]);

/** Processor time of the server so far, ms: tells its work also where the machine is busy. */
function processor() {
  const f = readFileSync(`/proc/${d.server.pid}/stat`, 'utf8').split(') ')[1].split(' ');
  return 10 * (Number(f[11]) + Number(f[12]));
}

async function timed(what, work, n, note = () => '') {
  for (let i = 0; i < 2; ++i) await work(i);
  const out = [];
  const before = processor();
  for (let i = 0; i < n; ++i) {
    const begun = performance.now();
    await work(i);
    out.push(performance.now() - begun);
  }
  row(what, ms(median(out)), ms(Math.max(...out)), ms((processor() - before) / n), note(1000 / median(out)));
}

/** Navigation to the foot drawn and the ray board filled, and what went over the wire until then. */
async function firstView(browser, d) {
  const w = await open(browser, d.server, '/api/about');
  const cdp = await w.context.newCDPSession(w.page);
  await cdp.send('Network.enable');
  await cdp.send('Network.setCacheDisabled', { cacheDisabled: true });
  let bytes = 0;
  cdp.on('Network.dataReceived', (e) => (bytes += e.encodedDataLength));
  cdp.on('Network.responseReceived', (e) => (bytes += e.response.encodedDataLength));
  await w.page.goto(`${d.server.address}/#${d.id}/injury`, { waitUntil: 'commit' });
  const at = await w.page.evaluate(
    ({ foot, board }) =>
      new Promise((ok) => {
        const look = () => {
          const columns = document.querySelectorAll(`${board} .column .numbers`).length;
          if (document.querySelector(`${foot}[data-shown="true"]`) && columns === 5) ok(performance.now());
          else requestAnimationFrame(look);
        };
        look();
      }),
    { foot: t('view-foot'), board: t('board') },
  );
  const sent = bytes;
  await w.close();
  return { at, sent };
}

const d = await desk();
const browser = await launch();
try {
  const load = loadavg()[0];
  const started = processor();
  const cold = await firstView(browser, d);
  const opening = processor() - started;
  const views = [];
  for (let i = 0; i < 5; ++i) views.push(await firstView(browser, d));
  row('first view, server just started', ms(cold.at), '', ms(opening));
  row('first view, median of 5', ms(median(views.map((v) => v.at))), ms(Math.max(...views.map((v) => v.at))), '', `${(median(views.map((v) => v.sent)) / 1e6).toFixed(2)} MB over the wire`);

  const state = await d.state();
  for (const id of ['S2', 'W2']) {
    const dev = state.plan.devices.find((x) => x.id === id);
    if (!dev) continue;
    await timed(`dragging ${id}: one trial`, (i) => {
      const tip = dev.tip.map((v, k) => v + 2 * Math.sin(0.35 * i + 2 * k));
      return d.server.post(`/api/cases/${d.id}/try`, { kind: 'device.set', id, entry: dev.entry, tip });
    }, 80, (n) => `${n.toFixed(0)} rounds a second`);
  }
  const ray = state.plan.rays.find((r) => r.ray === 2);
  await timed('dragging the second ray: one trial', (i) => {
    const transform = ray.transform.map((r) => [...r]);
    transform[2][3] += Math.sin(0.4 * i);
    return d.server.post(`/api/cases/${d.id}/try`, { kind: 'ray.move', ray: 2, transform });
  }, 40, (n) => `${n.toFixed(1)} rounds a second`);

  const get = async (path) => {
    const r = await d.server.ask('GET', `/api/cases/${d.id}/${path}`);
    if (!r.ok) throw new Error(`${path}: ${r.status} ${await r.text()}`);
    return r.arrayBuffer();
  };
  for (const kind of ['along', 'across', 'drill']) {
    await timed(`slice ${kind}, 640 x 480, reduced`, (i) => get(`slice?kind=${kind}&ray=2&device=S2&state=reduced&offset=${(i % 20) * 0.5 + 0.25 * (i > 20)}&width=640&height=480&mm=0.2`), 40, (n) => `${n.toFixed(0)} a second`);
  }
  for (const pixels of [400, 640]) {
    await timed(`film, ${pixels} pixels, with metal`, (i) => get(`film?orbital=${(i * 7) % 60}&tilt=15&show=metal&pixels=${pixels}`), 20, (n) => `${n.toFixed(0)} a second`);
  }
  await timed('an edit stored (notes), answer with the whole state', (i) => d.server.edit(d.id, 'case.notes', { text: `note ${i}` }), 20, () => `state ${(JSON.stringify(state).length / 1e3).toFixed(0)} kB`);

  console.log(`${cpus()[0].model}, ${cpus().length} cores; load before the run ${load.toFixed(1)}\n`);
  console.log('| what | median | worst | processor time of the server | |\n|---|---|---|---|---|');
  for (const r of rows) console.log(`| ${r.join(' | ')} |`);
} finally {
  await browser.close();
  await d.end();
}
