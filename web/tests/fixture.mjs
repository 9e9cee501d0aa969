// A copy of the planned case with a server on it, and a browser, for all tests of one file (each runs in a process of
// its own). What imports this finds `d` and `browser` there before its first test, and before its own `before`.
import { after, before } from 'node:test';
import { launch } from './browser.mjs';
import { desk } from './library.mjs';

export let d, browser;
before(async () => {
  d = await desk();
  browser = await launch();
});
after(async () => {
  await browser?.close();
  await d?.end();
});
