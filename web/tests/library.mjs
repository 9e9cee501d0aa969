// A library of cases with one planned case in it, made once for the whole run and copied for each test.
import { execFileSync, spawnSync } from 'node:child_process';
import { cpSync, existsSync, linkSync, mkdirSync, mkdtempSync, readdirSync, realpathSync, rmSync, statSync, symlinkSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { dirname, join, resolve } from 'node:path';
import { fileURLToPath } from 'node:url';
import { startServer as start } from './server.mjs';

export const kRoot = resolve(dirname(fileURLToPath(import.meta.url)), '..', '..');
export const kCaseName = 'Planned foot';

/** The program under test. */
export function program() {
  const given = process.env.RAYSET_PROGRAM ?? join(kRoot, 'build', 'release', 'rayset');
  const path = resolve(given);
  if (!existsSync(path)) throw new Error(`${path} is not there: build it, or set RAYSET_PROGRAM`);
  return path;
}

/** With the page of RAYSET_WEB where that is given, else the one built in web/dist. */
export const startServer = (cases, { extra = [], ...options } = {}) =>
  start(program(), cases, { extra: process.env.RAYSET_WEB ? ['--web', process.env.RAYSET_WEB, ...extra] : extra, ...options });

/** DICOM and plan: as given, or an invented patient, planned. */
function patient(folder) {
  const images = process.env.RAYSET_DEMO_IMAGES;
  const plan = process.env.RAYSET_DEMO_PLAN;
  if (images && plan) return { images: resolve(images), plan: resolve(plan) };
  const run = (...args) => execFileSync(program(), args, { stdio: ['ignore', 'ignore', 'inherit'] });
  const phantom = join(folder, 'patient');
  const foot = ['--spacing', '0.6', '--slice', '0.6', '--seed', '5', '--side', 'left', '--injury', 'divergent'];
  run('phantom', '--out', phantom, ...foot);
  // 4 is "planned in part": a plan all the same.
  const planned = spawnSync(program(), ['plan', join(phantom, 'ct'), '--out', join(folder, 'plan'), '--quiet'], { stdio: ['ignore', 'ignore', 'inherit'] });
  if (planned.status !== 0 && planned.status !== 4) throw new Error(`the invented patient could not be planned (status ${planned.status})`);
  return { images: join(phantom, 'ct'), plan: join(folder, 'plan') };
}

/** Where everything of the run lies; made by the first who asks. */
export async function prepared() {
  if (process.env.RAYSET_TEST_LIBRARY) return described(process.env.RAYSET_TEST_LIBRARY);
  const folder = mkdtempSync(join(tmpdir(), 'rayset-page-'));
  await prepare(folder);
  process.env.RAYSET_TEST_LIBRARY = folder;
  process.on('exit', () => rmSync(folder, { recursive: true, force: true }));
  return described(folder);
}

export async function prepare(folder) {
  const { images, plan } = patient(folder);

  symlinkSync(images, join(folder, 'ct'));
  symlinkSync(plan, join(folder, 'planned'));
  const server = await startServer(join(folder, 'cases'), {
    extra: ['--add-images', images, '--add-plan', plan, '--add-name', kCaseName],
    patience: 120_000,
  });
  // Opened once, so that what can be kept from it is kept.
  const [row] = await server.get('/api/cases');
  await server.get(`/api/cases/${row.id}`);
  await server.stop();
}

const described = (folder) => ({ folder, cases: join(folder, 'cases'), images: realpathSync(join(folder, 'ct')), plan: realpathSync(join(folder, 'planned')) });

/** Images and plans are replaced as a whole and never written to, so they are linked; everything else is copied. */
function copyCases(from, to) {
  mkdirSync(to, { recursive: true });
  for (const name of readdirSync(from)) {
    const [a, b] = [join(from, name), join(to, name)];
    if (!statSync(a).isDirectory()) cpSync(a, b);
    else if (name === 'images' || name === 'plan') linkAll(a, b);
    else copyCases(a, b);
  }
}
function linkAll(from, to) {
  mkdirSync(to, { recursive: true });
  for (const name of readdirSync(from)) {
    const [a, b] = [join(from, name), join(to, name)];
    if (statSync(a).isDirectory()) linkAll(a, b);
    else linkSync(a, b);
  }
}

/** A copy of the library with a server on it. */
export async function desk({ port = 0, extra = [] } = {}) {
  const source = await prepared();
  const folder = mkdtempSync(join(tmpdir(), 'rayset-desk-'));
  const cases = join(folder, 'cases');
  copyCases(source.cases, cases);
  const server = await startServer(cases, { port, extra });
  const row = (await server.get('/api/cases')).find((c) => c.name === kCaseName);
  return {
    ...source,
    server,
    cases,
    scratch: folder,
    id: row.id,
    state: (id = row.id) => server.get(`/api/cases/${id}`),
    async end() {
      await server.stop();
      rmSync(folder, { recursive: true, force: true });
    },
  };
}
