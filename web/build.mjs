// Bundles the page into dist/: index.html, page.js, page.css, icon, and a .gz beside each.
import { build, context } from 'esbuild';
import { copyFileSync, mkdirSync, readFileSync, readdirSync, rmSync, writeFileSync } from 'node:fs';
import { dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { gzipSync } from 'node:zlib';

const here = dirname(fileURLToPath(import.meta.url));
const out = process.argv.find((a) => a.startsWith('--out='))?.slice(6) ?? join(here, 'dist');

const options = {
  absWorkingDir: here,
  entryPoints: { page: 'src/main.ts', style: 'src/page.css' },
  bundle: true,
  format: 'esm',
  target: ['es2022', 'chrome110', 'firefox115'],
  minify: true,
  legalComments: 'linked',
  outdir: out,
  logLevel: 'info',
};

function finish() {
  for (const name of readdirSync(join(here, 'static'))) copyFileSync(join(here, 'static', name), join(out, name));
  for (const name of readdirSync(out)) {
    if (name.endsWith('.gz')) continue;
    const file = join(out, name);
    writeFileSync(`${file}.gz`, gzipSync(readFileSync(file), { level: 9 }));
  }
}

mkdirSync(out, { recursive: true });
if (process.argv.includes('--watch')) {
  const plugin = { name: 'finish', setup: (b) => b.onEnd(finish) };
  const ctx = await context({ ...options, plugins: [plugin] });
  await ctx.watch();
} else {
  rmSync(out, { recursive: true, force: true });
  mkdirSync(out, { recursive: true });
  await build(options);
  finish();
}
