// Requests to the server, errors as values a person can act on.
import type { CaseState, CaseSummary, ExportItem, Part, ServerError, Slice, SliceHead, TryResult } from './types';
import { phrase } from './phrases';

export class Refused extends Error {
  constructor(
    readonly status: number,
    readonly said: ServerError,
  ) {
    super(said.what);
  }
}

export const kNoAnswer: ServerError = {
  what: phrase('page.workstation_does_not_answer'),
  where: 'connection',
  remedy: phrase('page.check_rayset_serve_still_running_page'),
};

async function refusal(response: Response): Promise<Refused> {
  let said: ServerError = {
    what: phrase('page.workstation_answered_status', { status: response.status }),
    where: new URL(response.url).pathname,
    remedy: phrase('page.try_again_if_comes_back_restart'),
  };
  try {
    const body = (await response.json()) as { error?: ServerError };
    if (body.error?.what) said = body.error;
  } catch {
    // No JSON: the words above stand.
  }
  return new Refused(response.status, said);
}

async function ask(method: string, path: string, body?: BodyInit | null, signal?: AbortSignal): Promise<Response> {
  const headers: Record<string, string> = {};
  if (method !== 'GET') headers['X-Rayset'] = '1';
  if (typeof body === 'string') headers['Content-Type'] = 'application/json';
  let response: Response;
  try {
    response = await fetch(path, { method, headers, body: body ?? null, signal: signal ?? null, cache: 'no-cache' });
  } catch (error) {
    if (error instanceof DOMException && error.name === 'AbortError') throw error;
    throw new Refused(0, kNoAnswer);
  }
  if (!response.ok) throw await refusal(response);
  return response;
}

const json = async <T>(method: string, path: string, body?: unknown, signal?: AbortSignal): Promise<T> =>
  (await (await ask(method, path, body === undefined ? null : JSON.stringify(body), signal)).json()) as T;

const base = (id: string): string => `/api/cases/${encodeURIComponent(id)}`;

/** Drops what is not set. */
export function query(values: Record<string, string | number | null | undefined>): string {
  const q = new URLSearchParams();
  for (const [k, v] of Object.entries(values)) if (v !== null && v !== undefined && v !== '') q.set(k, String(v));
  return q.toString();
}

const below = (path: string): string => path.split('/').map(encodeURIComponent).join('/');

export const api = {
  about: () => json<{ version: string; advice: string }>('GET', '/api/about'),
  cases: (search: string, hidden: boolean) =>
    json<CaseSummary[]>('GET', `/api/cases?${query({ search, hidden: hidden ? 1 : undefined })}`),
  create: (name: string) => json<CaseState>('POST', '/api/cases', { name }),
  state: (id: string) => json<CaseState>('GET', base(id)),
  /** `token` names what is sent: under the same one it is stored once, however often it is sent. */
  edit: (id: string, token: string, kind: string, payload: object) =>
    json<{ seq: number; state: CaseState }>('POST', `${base(id)}/edits`, { kind, token, ...payload }),
  undo: (id: string, token: string) => json<{ seq: number; state: CaseState }>('POST', `${base(id)}/undo`, { token }),
  redo: (id: string, token: string) => json<{ seq: number; state: CaseState }>('POST', `${base(id)}/redo`, { token }),
  try: (id: string, kind: string, payload: object) => json<TryResult>('POST', `${base(id)}/try`, { kind, ...payload }),
  put: (id: string, part: Part, name: string, file: Blob, signal?: AbortSignal) =>
    ask('PUT', `${base(id)}/upload/${part}/${encodeURIComponent(name)}`, file, signal),
  dropUpload: (id: string, part: Part) => ask('DELETE', `${base(id)}/upload/${part}`),
  import: (id: string, part: Part, series?: string) =>
    json<{ job: string }>('POST', `${base(id)}/import`, series ? { part, series } : { part }),
  plan: (id: string, options: { side?: string; lateral?: string }) =>
    json<{ job: string }>('POST', `${base(id)}/plan`, options),
  verify: (id: string, options: { views?: string[]; temporary?: boolean }) =>
    json<{ job: string }>('POST', `${base(id)}/verify`, options),
  stop: (job: string) => ask('DELETE', `/api/jobs/${encodeURIComponent(job)}`),
  get: (path: string, signal: AbortSignal) => ask('GET', path, null, signal),
  exports: (id: string) => json<ExportItem[]>('GET', `${base(id)}/exports`),
  async mesh(id: string, body: string): Promise<{ xyz: Float32Array; abc: Uint32Array }> {
    const b = await (await ask('GET', `${base(id)}/mesh/${encodeURIComponent(body)}`)).arrayBuffer();
    const [vertices = 0, triangles = 0] = new Uint32Array(b, 0, 2);
    return { xyz: new Float32Array(b, 8, 3 * vertices), abc: new Uint32Array(b, 8 + 12 * vertices, 3 * triangles) };
  },
  async slice(id: string, q: Record<string, string | number | undefined>): Promise<Slice> {
    const b = await (await ask('GET', `${base(id)}/slice?${query(q)}`)).arrayBuffer();
    const n = new DataView(b).getUint32(0, true);
    const head = JSON.parse(new TextDecoder().decode(new Uint8Array(b, 4, n))) as SliceHead;
    const start = (4 + n + 3) & ~3;
    return { ...head, hu: new Int16Array(b, start, head.width * head.height) };
  },
  async film(id: string, q: Record<string, string | number | undefined>): Promise<Blob> {
    return (await ask('GET', `${base(id)}/film?${query(q)}`)).blob();
  },
  /** A real film of the case, `id` as the state tells it. */
  async realFilm(id: string, film: string): Promise<Blob> {
    return (await ask('GET', `${base(id)}/real-film/${below(film)}`)).blob();
  },
  filmPath: (id: string, q: Record<string, string | number | undefined>) => `${base(id)}/film?${query(q)}`,
  file: (id: string, path: string) => `${base(id)}/files/${below(path)}`,
  made: (id: string, name: string) => `${base(id)}/${name}`,
  thumbnail: (id: string, seq: number) => `${base(id)}/thumbnail?seq=${seq}`,
  events: (id: string | null) => new EventSource(id ? `/api/events?${query({ case: id })}` : '/api/events'),
};
