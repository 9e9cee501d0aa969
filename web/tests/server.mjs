// `rayset serve` as a child, and plain requests to it.
import { spawn } from 'node:child_process';

export async function startServer(program, cases, { port = 0, extra = [], patience = 60_000 } = {}) {
  const child = spawn(program, ['serve', '--cases', cases, '--port', String(port), ...extra], { stdio: ['ignore', 'pipe', 'pipe'] });
  let said = '';
  const ended = new Promise((resolve) => child.once('exit', (code, signal) => resolve({ code, signal })));
  const address = await new Promise((resolve, reject) => {
    const timer = setTimeout(() => {
      child.kill('SIGKILL');
      reject(new Error(`the server said no address in ${patience} ms: ${said}`));
    }, patience);
    const hear = (data) => {
      said += data;
      const at = /http:\/\/(?:127\.0\.0\.1|localhost):(\d+)/.exec(said);
      if (!at) return;
      clearTimeout(timer);
      resolve(at[0]);
    };
    child.stdout.on('data', hear);
    child.stderr.on('data', hear);
    void ended.then(({ code, signal }) => {
      clearTimeout(timer);
      reject(new Error(`the server ended (${code ?? signal}): ${said}`));
    });
  });

  async function ask(method, path, body) {
    const headers = method === 'GET' ? {} : { 'X-Rayset': '1', 'Content-Type': 'application/json' };
    const init = { method, headers };
    if (body !== undefined) init.body = typeof body === 'string' || body instanceof Uint8Array ? body : JSON.stringify(body);
    return fetch(address + path, init);
  }
  async function json(method, path, body) {
    const r = await ask(method, path, body);
    const text = await r.text();
    if (!r.ok) throw Object.assign(new Error(`${method} ${path}: ${r.status} ${text.slice(0, 300)}`), { status: r.status, text });
    return text ? JSON.parse(text) : null;
  }
  return {
    address,
    port: Number(new URL(address).port),
    pid: child.pid,
    ended,
    said: () => said,
    ask,
    get: (path) => json('GET', path),
    post: (path, body = {}) => json('POST', path, body),
    edit: (id, kind, payload) => json('POST', `/api/cases/${id}/edits`, { kind, ...payload }),
    async kill() {
      child.kill('SIGKILL');
      await ended;
    },
    /** As Ctrl-C does; it must end by itself. */
    async stop() {
      if (child.exitCode !== null || child.signalCode !== null) return;
      child.kill('SIGINT');
      const late = setTimeout(() => child.kill('SIGKILL'), 20_000);
      const { signal } = await ended;
      clearTimeout(late);
      if (signal === 'SIGKILL') throw new Error('the server did not end within 20 s of being asked to');
    },
  };
}
