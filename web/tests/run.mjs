// All tests of the page: makes the planned case once, then hands over to node's test runner.
//   node web/tests/run.mjs [--slow] [--again] [NAME ...]     NAME: part of a file's name
import { spawn } from 'node:child_process';
import { existsSync, mkdtempSync, readdirSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { kRoot, prepare } from './library.mjs';

const kNeeded = [
  [process.env.RAYSET_CHROMIUM ?? '/usr/bin/chromium', 'apt-get install chromium'],
  [join(kRoot, 'web', 'node_modules', 'playwright-core'), 'npm ci in web/'],
  [process.env.RAYSET_WEB ?? join(kRoot, 'web', 'dist', 'index.html'), 'npm run build in web/'],
];
for (const [path, remedy] of kNeeded)
  if (!existsSync(path)) {
    console.error(`${path} is missing: ${remedy}`);
    process.exit(1);
  }

const here = dirname(fileURLToPath(import.meta.url));
const args = process.argv.slice(2);
const names = args.filter((a) => !a.startsWith('--'));
const files = readdirSync(here)
  .filter((f) => f.endsWith('.test.mjs') && (!names.length || names.some((n) => f.includes(n))))
  .sort((a, b) => a.startsWith('slow-') - b.startsWith('slow-') || a.localeCompare(b))
  .map((f) => join(here, f));

let folder = process.env.RAYSET_TEST_LIBRARY;
const own = !folder;
if (own) {
  folder = mkdtempSync(join(tmpdir(), 'rayset-page-'));
  await prepare(folder);
}
const env = { ...process.env, RAYSET_TEST_LIBRARY: folder };
if (args.includes('--slow')) env.RAYSET_SLOW = '1';
const run = (list) =>
  new Promise((done) =>
    spawn(process.execPath, ['--test', '--test-concurrency=1', '--test-reporter=spec', ...list], { stdio: 'inherit', env }).on('exit', (code) => done(code ?? 1)),
  );
// A browser beside other work may miss a deadline: with --again a file that failed is run once more, and that is told.
const failed = [];
for (const file of files) {
  let code = await run([file]);
  if (code && args.includes('--again')) {
    console.error(`${file} failed; once more`);
    code = await run([file]);
    if (!code) console.error(`${file} passed the second time only: look at why`);
  }
  if (code) failed.push(file);
}
if (own) rmSync(folder, { recursive: true, force: true });
if (failed.length) console.error(`failed: ${failed.join(' ')}`);
process.exitCode = failed.length ? 1 : 0;
