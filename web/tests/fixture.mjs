// A copy of the planned case with a server on it, and a browser, for all tests of one file (each runs in a process of
// its own): there before anything of the file is run.
import { after } from 'node:test';
import { launch } from './browser.mjs';
import { desk } from './library.mjs';

export const d = await desk();
export const browser = await launch();
after(async () => {
  await browser.close();
  await d.end();
});
