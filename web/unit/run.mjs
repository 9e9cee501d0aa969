// The page's sums and words by themselves, without a browser: every unit/*.test.mjs is bundled (node does not read the
// page's TypeScript everywhere) and run by node's test runner.
import { build } from 'esbuild';
import { spawnSync } from 'node:child_process';
import { mkdtempSync, readFileSync, readdirSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';

const here = dirname(fileURLToPath(import.meta.url));
// As the server sends them ahead of the page (/words.js).
const english = JSON.parse(readFileSync(join(here, '../../data/words/en.json'), 'utf8'));
const words = Object.fromEntries(
  Object.entries(english).flatMap(([section, entries]) => (typeof entries === 'object' ? Object.entries(entries).map(([key, text]) => [`${section}.${key}`, text]) : [])),
);
const names = readdirSync(here).filter((f) => f.endsWith('.test.mjs'));
const out = mkdtempSync(join(tmpdir(), 'rayset-unit-'));
try {
  await build({
    absWorkingDir: here,
    entryPoints: names,
    outdir: out,
    outExtension: { '.js': '.mjs' },
    bundle: true,
    banner: { js: `globalThis.raysetWords = ${JSON.stringify({ language: 'en', locale: english.locale, decimal: english.decimal, words })};` },
    platform: 'node',
    format: 'esm',
    target: 'node18',
    sourcemap: 'inline',
    logLevel: 'warning',
  });
  const files = names.map((f) => join(out, f));
  process.exitCode = spawnSync(process.execPath, ['--enable-source-maps', '--test', '--test-reporter=spec', ...files], { stdio: 'inherit' }).status ?? 1;
} finally {
  rmSync(out, { recursive: true, force: true });
}
