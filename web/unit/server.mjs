// A server on paper: what was asked of it, and answers that come when the test says so. And the little of a browser that
// the store speaks to.
import { webcrypto } from 'node:crypto';

globalThis.window = globalThis;
globalThis.crypto ??= webcrypto; // not there by itself in node 18
globalThis.location = { hash: '' };
globalThis.history = {
  steps: 0,
  replaceState: (_, __, hash) => (location.hash = hash),
  pushState: (_, __, hash) => {
    location.hash = hash;
    history.steps += 1;
  },
};

export const asked = [];
globalThis.fetch = (path, { method, body }) =>
  new Promise((ok, bad) => {
    asked.push({
      what: `${method} ${path}`,
      body: body ? JSON.parse(body) : null,
      answer: (json, status = 200) => ok({ ok: status < 400, status, url: `http://127.0.0.1${path}`, json: async () => json }),
      lose: () => bad(new TypeError('no connection')),
    });
  });

export class Events {
  static now;
  static CLOSED = 2;
  readyState = 1;
  #heard = new Map();
  constructor(path) {
    this.path = path;
    Events.now = this;
  }
  addEventListener(kind, take) {
    this.#heard.set(kind, take);
  }
  tell(kind, data) {
    this.#heard.get(kind)({ data: JSON.stringify(data) });
  }
  close() {
    this.readyState = Events.CLOSED;
  }
}
globalThis.EventSource = Events;

/** Until everything that needs no further answer has run. */
export const rest = () => new Promise((ok) => setImmediate(ok));
/** The request of this number, waited for. */
export async function next(n) {
  for (let i = 0; asked.length <= n && i < 1000; ++i) await new Promise((ok) => setTimeout(ok, 10));
  return asked[n];
}
