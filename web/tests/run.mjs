// All tests of the page: makes the planned case once, then hands over to node's test runner.
//   node web/tests/run.mjs [--slow] [NAME ...]     NAME: part of a file's name
import { spawn } from 'node:child_process';
import { mkdtempSync, readdirSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { prepare } from './library.mjs';

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
const child = spawn(process.execPath, ['--test', '--test-concurrency=1', '--test-reporter=spec', ...files], { stdio: 'inherit', env });
child.on('exit', (code) => {
  if (own) rmSync(folder, { recursive: true, force: true });
  process.exitCode = code ?? 1;
});
