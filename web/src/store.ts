// What the page shows now. The server holds the truth; this is a copy with what the person looks at.
import { Refused, api, kNoAnswer } from './api';
import { kBoardOrder } from './facts';
import { clamp } from './math';
import type { CaseState, Device, DrawnMeasure, FootState, Job, Place, Ray, ServerError, TryResult } from './types';
import { decimal, phrase } from './phrases';

export const kPlaces: { id: Place; name: string }[] = [
  { id: 'images', name: phrase('page.images') },
  { id: 'injury', name: phrase('page.injury') },
  { id: 'reduction', name: phrase('page.reduction') },
  { id: 'fixation', name: phrase('page.fixation') },
  { id: 'theatre', name: phrase('page.theatre') },
  { id: 'followup', name: phrase('page.followup') },
];

export type ViewKind = 'foot' | 'along' | 'across' | 'drill' | 'film' | 'other';
export type Tool = 'look' | 'distance' | 'angle' | 'move' | 'turn' | 'place';

export interface UploadState {
  done: number;
  total: number;
  part: string;
  stop: () => void;
}

/** What clicks in a view give while the tool is `place` (corrections of bones). */
export interface Placing {
  words: string;
  take: (point: [number, number, number]) => void;
}

/** Asked before something is replaced. */
export interface Question {
  words: string;
  answers: { words: string; test: string; act: () => void }[];
}

export const app = {
  advice: phrase('page.advises_licensed_surgeon_decides_not_medical'),
  version: '',
  readOnly: false,
  state: null as CaseState | null,
  place: 'injury' as Place,
  ray: 2,
  device: null as string | null,
  /** How far the reduction has been played: 0 as scanned, one more for every ray put back. */
  played: 0,
  tool: 'look' as Tool,
  placing: null as Placing | null,
  views: ['foot', 'across'] as [ViewKind, ViewKind | null],
  saving: 0,
  connected: true,
  job: null as Job | null,
  upload: null as UploadState | null,
  errors: [] as ServerError[],
  said: '',
  /** The last change of a device, to be seen and taken back: "S2: 40 to 50 mm". */
  change: null as string | null,
  trial: null as TryResult | null,
  historyOpen: false,
  question: null as Question | null,
};

type Listener = () => void;
const listeners = new Set<Listener>();
let queued = false;

export function onChange(listener: Listener): void {
  listeners.add(listener);
}
export function changed(): void {
  if (queued) return;
  queued = true;
  queueMicrotask(() => {
    queued = false;
    for (const l of listeners) l();
  });
}
export function set(values: Partial<typeof app>): void {
  Object.assign(app, values);
  changed();
}
export const say = (words: string): void => set({ said: words });

export function told(error: unknown): void {
  if (error instanceof DOMException && error.name === 'AbortError') return;
  if (error instanceof Refused) {
    if (error.status === 0) {
      set({ connected: false });
      return;
    }
    showError(error.said);
    return;
  }
  showError({ what: error instanceof Error ? error.message : String(error), remedy: phrase('page.load_page_again') });
}
export function showError(error: ServerError): void {
  app.errors = [...app.errors.filter((e) => e.what !== error.what), error].slice(-3);
  changed();
}
export function dismiss(error: ServerError): void {
  set({ errors: app.errors.filter((e) => e !== error) });
}

export const order = (): number[] => app.state?.plan?.reduction.order ?? [];
export const footState = (): FootState => (app.played > 0 && app.played >= order().length / 2 ? 'reduced' : 'injured');
export function showFoot(state: FootState): void {
  set({ played: state === 'injured' ? 0 : Math.max(1, order().length) });
}

let keyed: CaseState | null = null;
let key = '';
/** Tells one shape of the plan from another: what views of it depend on, and nothing else. */
export function shapeKey(): string {
  const s = app.state;
  if (!s?.plan) return '';
  if (keyed === s) return key;
  keyed = s;
  const plan = [...s.history].reverse().find((r) => r.kind === 'plan')?.seq ?? 0;
  key = JSON.stringify([s.id, plan, s.plan.rays.map((r) => r.transform), s.plan.devices.map((d) => [d.id, d.type, d.entry, d.tip])]);
  return key;
}

/** Rays from left to right as the surgeon sees the foot from the head of the table, toes away. */
export const boardOrder = (): number[] => [...kBoardOrder[app.state?.plan?.side ?? 'right']];

const kViewsOf: Record<Place, [ViewKind, ViewKind | null]> = {
  images: ['along', 'foot'],
  injury: ['foot', 'across'],
  reduction: ['foot', 'along'],
  fixation: ['foot', 'drill'],
  theatre: ['film', null],
  followup: ['foot', null],
};
const chosen = new Map<Place, [ViewKind, ViewKind | null]>();

export function go(place: Place): void {
  if (place === app.place) return;
  chosen.set(app.place, app.views);
  app.views = chosen.get(place) ?? kViewsOf[place];
  app.place = place;
  app.tool = 'look';
  app.placing = null;
  app.trial = null;
  const before = place === 'images' || place === 'injury';
  app.played = before ? 0 : Math.max(1, order().length);
  if (place === 'fixation' && !app.device) selectRay(app.ray);
  remember();
  changed();
}
export function startAt(place: Place): void {
  app.place = place;
  app.views = kViewsOf[place];
  app.played = place === 'images' || place === 'injury' ? 0 : Math.max(1, order().length);
}
/** Chooses what a pane shows; what the other showed changes sides. */
export function showView(pane: 0 | 1, kind: ViewKind | null): void {
  const [large, beside] = app.views;
  const other = pane === 0 ? beside : large;
  if (pane === 0) {
    if (!kind) return;
    app.views = [kind, other === kind ? large : beside];
  } else {
    app.views = [other === kind && beside ? beside : large, kind === large && !beside ? null : kind];
  }
  changed();
}

export function selectRay(ray: number): void {
  app.ray = clamp(ray, 1, 5);
  const devices = app.state?.plan?.devices ?? [];
  const held = devices.find((d) => d.id === app.device);
  if (!held || held.ray !== app.ray) {
    const first = devices.find((d) => d.ray === app.ray && d.stage === 'definitive') ?? devices.find((d) => d.ray === app.ray);
    if (first) app.device = first.id;
  }
  changed();
}
export function selectDevice(id: string): void {
  app.device = id;
  const d = app.state?.plan?.devices.find((x) => x.id === id);
  if (d?.ray) app.ray = d.ray;
  changed();
}

export function take(state: CaseState): void {
  // An answer that was on its way while a newer one came.
  if (app.state?.id === state.id && state.seq < app.state.seq) return;
  const newPlan = !app.state?.plan && state.plan;
  app.state = state;
  app.job = state.job?.state === 'running' ? state.job : app.job?.state === 'running' ? null : app.job;
  app.trial = null;
  if (state.problem) showError(state.problem);
  if (state.plan) {
    if (app.device && !state.plan.devices.some((d) => d.id === app.device)) app.device = null;
    if (!app.device) selectRay(app.ray);
    if (newPlan && app.played > 0) app.played = Math.max(1, order().length);
    app.played = Math.min(app.played, Math.max(1, order().length));
  }
  changed();
}

// ---- what changes the case -------------------------------------------------------------------------------------

let chain: Promise<unknown> = Promise.resolve();

interface Answer {
  seq: number;
  state: CaseState;
}

const lost = (error: unknown): boolean => error instanceof Refused && error.status === 0;
async function back(): Promise<void> {
  for (let i = 1; !app.connected; ++i) {
    await new Promise((ok) => window.setTimeout(ok, 250));
    // Mostly the events tell; where only a request was lost they do not.
    if (i % 8 === 0 && !app.connected) await api.about().then(() => set({ connected: true }), () => undefined);
  }
}

type Work = (token: string) => Promise<Answer>;

/** Sends, and sends again once a lost connection is back; the token tells the server what it has already. */
async function send(work: Work): Promise<Answer> {
  const token = crypto.randomUUID();
  for (;;) {
    try {
      return await work(token);
    } catch (error) {
      if (!lost(error)) throw error;
      told(error);
      await back();
    }
  }
}

/** One after the other, so that a slow answer never overtakes a later edit. */
function inTurn(work: Work): Promise<Answer | null> {
  app.saving += 1;
  changed();
  const run = chain.then(async () => {
    try {
      return await send(work);
    } catch (error) {
      told(error);
      return null;
    } finally {
      app.saving -= 1;
      changed();
    }
  });
  chain = run;
  return run;
}

export async function edit(kind: string, payload: object): Promise<boolean> {
  const id = app.state?.id;
  if (!id || app.readOnly) return false;
  const answer = await inTurn((token) => api.edit(id, token, kind, payload));
  if (!answer) {
    app.trial = null;
    changed();
    return false;
  }
  if (app.state?.id === id) {
    const before = app.state.plan?.devices ?? [];
    take(answer.state);
    if (kind.startsWith('device.')) showChange(changeWords(before, answer.state.plan?.devices ?? []) || answer.state.can_undo || '');
    if (newest > answer.state.seq && app.saving === 0) void refetch();
  }
  return true;
}
/** What differs between two lists of devices: "S2: 40 to 50 mm", "W2 left out". */
export function changeWords(before: Device[], after: Device[]): string {
  const out: string[] = [];
  for (const d of before) {
    const now = after.find((x) => x.id === d.id);
    if (!now) out.push(phrase('page.change_left_out', { id: d.id }));
    else if (now.length_mm !== d.length_mm) out.push(phrase('page.change_length', { id: d.id, from: figure(d.length_mm), to: phrase('unit.mm', { n: figure(now.length_mm) }) }));
    else if (now.type !== d.type) out.push(phrase('page.change_implant', { id: d.id, from: d.name, to: now.name }));
  }
  for (const d of after) if (!before.some((x) => x.id === d.id)) out.push(phrase('page.change_added', { id: d.id }));
  return out.join('; ');
}
const figure = (x: number): string => String(x).replace('.', decimal);

const kChangeShownMs = 12_000;
let changeTimer: ReturnType<typeof setTimeout> | undefined;
function showChange(words: string): void {
  clearTimeout(changeTimer);
  set({ change: words || null, said: words || app.said });
  if (words) changeTimer = setTimeout(() => set({ change: null }), kChangeShownMs);
}

export async function undo(): Promise<void> {
  const s = app.state;
  if (!s?.can_undo || app.readOnly) return;
  const words = s.can_undo;
  showChange('');
  const answer = await inTurn((token) => api.undo(s.id, token));
  if (answer) {
    take(answer.state);
    say(phrase('page.undone', { words }));
  }
}
export async function redo(): Promise<void> {
  const s = app.state;
  if (!s?.can_redo || app.readOnly) return;
  const words = s.can_redo;
  const answer = await inTurn((token) => api.redo(s.id, token));
  if (answer) {
    take(answer.state);
    say(phrase('page.done_again', { words }));
  }
}

// A trial while something is dragged: one request in flight, the newest wish next.
let trying = false;
let wish: { kind: string; payload: object; trial: number } | null = null;
let trialId = 0;

export async function tryEdit(kind: string, payload: object): Promise<void> {
  wish = { kind, payload, trial: trialId };
  if (trying || !app.state) return;
  trying = true;
  const id = app.state.id;
  try {
    while (wish) {
      const now: { kind: string; payload: object; trial: number } = wish;
      wish = null;
      try {
        const result = await api.try(id, now.kind, now.payload);
        if (now.trial === trialId) set({ trial: result });
      } catch (error) {
        told(error);
        wish = null;
      }
    }
  } finally {
    trying = false;
  }
}
export function endTrial(): void {
  trialId += 1;
  wish = null;
}

/** As the plan says, or as the trial under way says. */
export function rayNow(ray: number): Ray | null {
  const kept = app.state?.plan?.rays.find((r) => r.ray === ray);
  const tried = app.trial?.rays.find((r) => r.ray === ray);
  return kept && tried ? { ...kept, ...tried } : (kept ?? null);
}
export function devicesNow(): Device[] {
  const all = app.state?.plan?.devices ?? [];
  const tried = app.trial?.devices ?? [];
  return all.map((d) => {
    const t = tried.find((x) => x.id === d.id);
    return t ? { ...d, ...t } : d;
  });
}
export const deviceNow = (id: string | null): Device | null => devicesNow().find((d) => d.id === id) ?? null;

// ---- measures drawn by hand ------------------------------------------------------------------------------------

let serial = 0;
export function addMeasure(m: Omit<DrawnMeasure, 'id' | 'value' | 'unit'>): void {
  serial += 1;
  const id = `m${Date.now().toString(36)}${serial}`;
  // `kind` names the edit itself, so what is measured goes as `measure`.
  const { kind, ...rest } = m;
  void edit('measure.add', { id, measure: kind, ...rest });
}

// ---- events ----------------------------------------------------------------------------------------------------

let source: EventSource | null = null;
let newest = 0; // the highest row of the case that was told
let refetching = false;
let again = false;

export async function refetch(): Promise<void> {
  const id = app.state?.id;
  if (!id) return;
  if (refetching) {
    again = true;
    return;
  }
  refetching = true;
  try {
    do {
      again = false;
      const state = await api.state(id);
      if (app.state?.id === id) {
        app.connected = true;
        take(state);
      }
    } while (again);
  } catch (error) {
    told(error);
  } finally {
    refetching = false;
  }
}

const jobWaiters = new Map<string, (job: Job) => void>();
const ended = new Map<string, Job>();

/** Resolves when the job has ended, one way or another. */
export function jobEnd(id: string): Promise<Job> {
  const known = ended.get(id);
  if (known) return Promise.resolve(known);
  return new Promise((resolve) => jobWaiters.set(id, resolve));
}

/** Ends that were missed while the connection was lost: the history tells what came of them. */
function settleJobs(): void {
  const s = app.state;
  if (!s || s.job) return;
  for (const [job, resolve] of jobWaiters) {
    jobWaiters.delete(job);
    resolve({ job, case: s.id, kind: '', stage: '', fraction: 1, state: s.status === 'planned' || s.status === 'imported' ? 'done' : 'failed' });
  }
}

function onJob(job: Job): void {
  if (app.state && job.case !== app.state.id) return;
  if (job.state === 'running') {
    set({ job });
    return;
  }
  ended.set(job.job, job);
  jobWaiters.get(job.job)?.(job);
  jobWaiters.delete(job.job);
  set({ job: null });
  if (job.state === 'failed' && job.error) showError(job.error);
  if (job.state === 'cancelled') say(phrase('page.stopped_nothing_changed'));
  if (job.state === 'done') say(phrase('page.job_done', { job: jobWords(job.kind) }));
  void refetch();
}

export const jobWords = (kind: string): string =>
  ({ import: phrase('page.job_import'), plan: phrase('page.job_plan'), verify: phrase('page.checking_result') })[kind] ?? kind;

export function listen(id: string | null, onCase?: () => void): void {
  source?.close();
  newest = 0;
  source = api.events(id);
  let gone = false;
  const parsed = (e: Event): Record<string, unknown> => JSON.parse((e as MessageEvent<string>).data);
  source.addEventListener('job', (e) => onJob(parsed(e) as unknown as Job));
  source.addEventListener('case', (e) => {
    const c = parsed(e) as { id: string; seq: number };
    onCase?.();
    if (!app.state || c.id !== app.state.id) return;
    newest = Math.max(newest, c.seq);
    // While an edit of ours is under way its answer tells; what came after it is fetched then.
    if (c.seq > app.state.seq && app.saving === 0) void refetch();
  });
  source.onopen = () => {
    if (gone || !app.connected) {
      void refetch().then(settleJobs);
      say(phrase('page.connected_again'));
    }
    // What happened before the line stood was told to nobody.
    onCase?.();
    gone = false;
    set({ connected: true });
  };
  const mine = source;
  source.onerror = () => {
    gone = true;
    set({ connected: false });
    // A browser gives up where the answer was refused; we do not.
    if (mine.readyState === EventSource.CLOSED)
      window.setTimeout(() => {
        if (source === mine) listen(id, onCase);
      }, 2000);
  };
}

/** What an address names: a case and a place of it. */
export function addressed(): { id: string; place: Place | undefined } | null {
  const [, id, place] = /^#([A-Za-z0-9-]+)(?:\/([a-z]+))?$/.exec(location.hash) ?? [];
  // The skip links lead to parts of the page.
  if (!id || id === 'place' || id === 'cases') return null;
  return { id, place: kPlaces.find((p) => p.id === place)?.id };
}
/** Whatever the page showed is kept through a reload; another case is a step of the browser's own history. */
export function remember(step = true): void {
  if (!app.state || app.readOnly) return;
  const hash = `#${app.state.id}/${app.place}`;
  if (location.hash === hash) return;
  if (!step || addressed()?.id === app.state.id) history.replaceState(null, '', hash);
  else history.pushState(null, '', hash);
}

export { kNoAnswer };
