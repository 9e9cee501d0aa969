// The page: which case, which place, keys, dropped files.
import { h, render, type ComponentChild, type JSX } from 'preact';
import { api } from './api';
import { board, boardLine } from './board';
import { caseList, loadCases, typedName } from './cases';
import { Field } from './elements';
import { mesh } from './meshes';
import { fixation } from './places/fixation';
import { followup, takeFollowup } from './places/followup';
import { images } from './places/images';
import { injury } from './places/injury';
import { reduction } from './places/reduction';
import { nextStep, previousStep, theatre, updateTheatre } from './places/theatre';
import { addressed, app, changed, edit, go, kPlaces, listen, onChange, redo, remember, say, selectRay, set, startAt, take, told, undo, boardOrder } from './store';
import { settle } from './settle';
import { filmsBeside, stage, updateViews } from './stage';
import type { CaseState, Place } from './types';
import { dropped, importImages, planNow, suggestedName, type Given } from './upload';
import { button, question, troubles } from './widgets';
import { capital, clock, pattern, person } from './words';
import { language, phrase } from './phrases';

document.documentElement.lang = language || 'en';
const root = document.createElement('div');
root.id = 'page';
document.body.append(root);

// ---- one case ----------------------------------------------------------------------------------------------------

const kPlaceBody: Record<Exclude<Place, 'theatre'>, () => ComponentChild[]> = { images, injury, reduction, fixation, followup };

function saved(): JSX.Element {
  const words = app.saving ? (app.connected ? phrase('page.saving') : phrase('page.not_saved_yet')) : !app.connected ? phrase('page.not_connected') : phrase('page.saved');
  return h('span', { class: 'saved', role: 'status', 'data-test': 'saved' }, words);
}

function historyPanel(s: CaseState): JSX.Element {
  return h(
    'aside',
    { class: 'history', key: 'history', 'aria-label': phrase('page.history'), 'data-test': 'history' },
    h('div', { class: 'row' }, h('h2', null, phrase('page.history')), button(phrase('page.close'), () => set({ historyOpen: false }), { class: 'quiet' })),
    h(
      'ol',
      null,
      [...s.history]
        .reverse()
        .filter((r) => r.kind !== 'undo' && r.kind !== 'redo')
        .map((r) => h('li', { key: String(r.seq), class: r.active ? '' : 'undone' }, h('span', null, capital(r.words)), r.active ? null : h('em', null, ` ${phrase('page.undone_since')}`), h('span', { class: 'small' }, ` ${clock(r.at)}`))),
    ),
    h(
      'label',
      { class: 'field' },
      h('span', null, phrase('page.notes')),
      h(Field, { rows: 5, value: s.notes, 'data-test': 'notes', onChange: (e: Event) => void edit('case.notes', { text: (e.target as HTMLTextAreaElement).value }) }),
    ),
    button(s.hidden ? phrase('page.show_list_again') : phrase('page.take_off_list'), () => void edit('case.hide', { hidden: !s.hidden }), { test: 'hide' }),
    h('p', { class: 'small' }, phrase('page.nothing_removed_list_only_stops_showing')),
  );
}

function head(s: CaseState): JSX.Element {
  const plan = s.plan;
  return h(
    'header',
    { class: 'case-head', key: 'head' },
    h('a', { class: 'skip', href: '#place' }, phrase('page.content')),
    h('button', { class: 'home', type: 'button', onClick: () => leave(), 'data-test': 'home', title: phrase('page.all_cases') }, 'Rayset'),
    h(
      'div',
      { class: 'who' },
      h(Field, {
        class: 'name',
        type: 'text',
        'aria-label': phrase('page.name_case'),
        value: s.name,
        'data-test': 'case-name',
        onChange: (e: Event) => {
          const text = (e.target as HTMLInputElement).value.trim();
          if (text && text !== s.name) void edit('case.name', { text });
        },
      }),
      // What does not fit beside the places is left out as a whole.
      h(
        'span',
        { class: 'small whole' },
        [plan ? phrase(`page.foot_${plan.side}`) : '', s.images?.patient ? person(s.images.patient) : '', ...pattern(plan?.patterns).split(' · ')].filter(Boolean).map((w) => h('span', null, w)),
      ),
    ),
    h(
      'nav',
      { 'aria-label': phrase('page.places') },
      kPlaces.map((p, i) =>
        h(
          'button',
          {
            key: p.id,
            type: 'button',
            'aria-current': p.id === app.place ? 'page' : undefined,
            'data-test': `place-${p.id}`,
            title: phrase('page.key', { i: i + 1 }),
            onClick: () => go(p.id),
          },
          h('span', { class: 'key', 'aria-hidden': 'true' }, String(i + 1)),
          p.name,
          p.id === 'images' && s.stale ? h('span', { class: 'alarm' }, ' ▲') : null,
        ),
      ),
    ),
    h(
      'div',
      { class: 'acts' },
      button(phrase('page.undo'), () => void undo(), { test: 'undo', disabled: !s.can_undo, title: s.can_undo ? phrase('page.undo_ctrl', { can_undo: s.can_undo }) : phrase('page.nothing_undo') }),
      button(phrase('page.redo'), () => void redo(), { test: 'redo', disabled: !s.can_redo, title: s.can_redo ? phrase('page.redo_ctrl_shift', { can_redo: s.can_redo }) : phrase('page.nothing_redo') }),
      button(phrase('page.history_notes'), () => set({ historyOpen: !app.historyOpen }), { test: 'history-open', pressed: app.historyOpen }),
      saved(),
    ),
  );
}

function casePage(s: CaseState): ComponentChild[] {
  const dark = app.place === 'theatre';
  document.body.classList.toggle('dark', dark);
  const said = h('div', { class: 'hidden', 'aria-live': 'polite', key: 'said', 'data-test': 'said' }, app.said);
  const change = app.change
    ? h('div', { class: 'change', key: 'change', 'data-test': 'change' }, h('span', null, app.change), button(phrase('page.undo'), () => void undo(), { test: 'change-undo' }))
    : null;
  const advice = h('footer', { class: 'advice', key: 'advice', 'data-test': 'advice' }, app.advice);
  if (dark)
    return [app.readOnly ? null : head(s), troubles(), settle(), boardLine(), theatre(), advice, said, change, app.historyOpen ? historyPanel(s) : null, question()];
  const body = kPlaceBody[app.place as Exclude<Place, 'theatre'>]();
  const name = kPlaces.find((p) => p.id === app.place)!.name;
  return [
    head(s),
    troubles(),
    settle(),
    h(
      'div',
      { key: 'bench', class: s.plan ? 'bench' : 'bench unplanned' },
      s.plan ? stage() : null,
      s.plan ? board() : null,
      h('main', { class: 'place', id: 'place', key: `place-${app.place}`, 'data-test': `in-${app.place}`, tabindex: -1 }, h('h1', null, name), ...body),
    ),
    advice,
    said,
    change,
    app.historyOpen ? historyPanel(s) : null,
    question(),
  ];
}

let showingList = false;

function draw(): void {
  const s = app.state;
  if (s) {
    document.title = `${s.name} – Rayset`;
    render(casePage(s), root);
    if (app.place === 'theatre') updateTheatre();
    else updateViews();
  } else if (showingList) {
    document.title = 'Rayset';
    document.body.classList.remove('dark');
    render(caseList((id) => void open(id), (g, n) => void begin(g, n)), root);
  } else {
    render([troubles(), h('main', { class: 'list' }, h('p', null, phrase('page.opening')))], root);
  }
}
onChange(draw);

// ---- which case --------------------------------------------------------------------------------------------------

let opening = 0;

async function open(id: string, place?: Place): Promise<boolean> {
  opening += 1;
  const mine = opening;
  try {
    const state = await api.state(id);
    if (mine !== opening) return true; // another was asked for meanwhile
    app.errors = [];
    app.job = null;
    app.device = null;
    app.historyOpen = false;
    app.state = null;
    app.played = 0;
    // Meshes are on their way before anything is drawn.
    const row = [...state.history].reverse().find((r) => r.kind === 'plan');
    for (const b of state.plan?.bodies ?? []) void mesh(state.id, String(row?.seq ?? 0), b.id).catch(() => undefined);
    app.state = state;
    startAt(place ?? (state.plan ? 'injury' : 'images'));
    take(state);
    const questions = state.plan?.open_questions ?? [];
    selectRay(questions.find((q) => q.ray)?.ray ?? 2);
    if (questions.length) say(phrase('page.settle_first', { what: questions.map((q) => q.what).join(' ') }));
    listen(id);
    remember();
    return true;
  } catch (error) {
    told(error);
    return false;
  }
}

function leave(): void {
  opening += 1;
  app.state = null;
  app.job = null;
  if (location.hash) history.pushState(null, '', '/');
  showList();
}

/** The address was changed by hand, by a link or by the browser's back. */
function followAddress(): void {
  if (app.readOnly) return;
  const to = addressed();
  if (!to) {
    if (location.hash) remember(false); // a skip link: the case's own address again
    else if (app.state) leave();
  } else if (app.state?.id === to.id) {
    if (to.place) go(to.place);
    remember();
  } else {
    void open(to.id, to.place).then((ok) => {
      if (ok) return;
      if (app.state) remember(false);
      else leave();
    });
  }
}
addEventListener('hashchange', followAddress);

function showList(): void {
  showingList = true;
  listen(null, () => void loadCases());
  void loadCases();
  changed();
}

async function begin(given: Given[], name: string): Promise<void> {
  try {
    const made = await api.create(name || suggestedName(given));
    if (!(await open(made.id, 'images'))) return;
    if (!given.length) return;
    if (await importImages(made.id, 'images', given)) {
      if (await planNow()) go('injury');
    }
  } catch (error) {
    told(error);
  }
}

// ---- dropped files and keys --------------------------------------------------------------------------------------

let over = 0;
const hasFiles = (e: DragEvent): boolean => !!e.dataTransfer && [...e.dataTransfer.types].includes('Files');
addEventListener('dragenter', (e) => {
  if (!hasFiles(e)) return;
  over += 1;
  document.body.classList.add('dropping');
});
addEventListener('dragleave', (e) => {
  if (!hasFiles(e)) return;
  over -= 1;
  if (over <= 0) document.body.classList.remove('dropping');
});
addEventListener('dragover', (e) => {
  if (hasFiles(e)) e.preventDefault();
});
addEventListener('drop', (e) => {
  if (!hasFiles(e) || !e.dataTransfer) return;
  e.preventDefault();
  over = 0;
  document.body.classList.remove('dropping');
  if (app.readOnly) return;
  void dropped(e.dataTransfer).then(
    async (given) => {
      if (!app.state) await begin(given, typedName());
      else if (app.place === 'followup') takeFollowup(given);
      else if (app.state.status === 'empty') await fill(given);
      else askWhereTo(given);
    },
    (error) => told(error),
  );
});

async function fill(given: Given[]): Promise<void> {
  if (!app.state) return;
  go('images');
  if (await importImages(app.state.id, 'images', given)) await planNow();
}
function askWhereTo(given: Given[]): void {
  set({
    question: {
      words: phrase('page.case_has_images_already_what_these'),
      answers: [
        { words: phrase('page.new_case_2'), test: 'answer-new', act: () => void begin(given, '') },
        { words: phrase('page.other_foot_patient'), test: 'answer-other', act: () => void importImages(app.state!.id, 'other', given) },
        { words: phrase('page.films_before_operation'), test: 'answer-films', act: () => filmsBeside(given) },
        { words: phrase('page.films_ct_after_operation'), test: 'answer-after', act: () => (go('followup'), takeFollowup(given)) },
        { words: phrase('page.replace_images_case'), test: 'answer-replace', act: () => void fill(given) },
      ],
    },
  });
}

function goBy(e: KeyboardEvent, place: (typeof kPlaces)[number]): void {
  e.preventDefault();
  (e.target as HTMLElement | null)?.blur?.();
  go(place.id);
  say(place.name);
}

/** Whether keys are the field's own. `text`: of fields of text alone; a list has no use for digits. */
const typing = (e: KeyboardEvent, text = false): boolean => {
  const t = e.target as HTMLElement | null;
  return !!t && (t.isContentEditable || ((text ? /^(INPUT|TEXTAREA)$/ : /^(INPUT|TEXTAREA|SELECT)$/).test(t.tagName) && (t as HTMLInputElement).type !== 'range' && (t as HTMLInputElement).type !== 'checkbox'));
};

/** A list that changes the plan does so when an entry is picked from it opened, never by a key on it closed. */
function keptFromList(e: KeyboardEvent): boolean {
  const list = e.target as HTMLSelectElement;
  if (list?.tagName !== 'SELECT' || list.dataset['plan'] === undefined) return false;
  if (e.ctrlKey || e.metaKey || e.altKey || /^(Enter|Tab|Escape| |F\d+|Shift)$/.test(e.key)) return false;
  e.preventDefault();
  if (/^(ArrowUp|ArrowDown)$/.test(e.key)) list.showPicker?.();
  return true;
}

addEventListener('keydown', (e) => {
  if (!app.state) return;
  const kept = keptFromList(e);
  const key = e.key.toLowerCase();
  if ((e.ctrlKey || e.metaKey) && !e.altKey && (key === 'z' || key === 'y') && !typing(e)) {
    e.preventDefault();
    if (key === 'y' || e.shiftKey) void redo();
    else void undo();
    return;
  }
  if (e.key === 'Escape' && app.historyOpen) {
    set({ historyOpen: false });
    return;
  }
  const place = e.ctrlKey || e.metaKey || e.altKey || typing(e, true) ? undefined : kPlaces[Number(e.key) - 1];
  if (e.ctrlKey || e.metaKey || e.altKey || kept || typing(e)) {
    if (place && !app.readOnly) goBy(e, place);
    return;
  }
  if (app.place === 'theatre' && !app.readOnly) {
    const onButton = (e.target as HTMLElement | null)?.closest?.('button, a, summary');
    if (e.key === 'PageDown' || (e.key === ' ' && !onButton)) {
      e.preventDefault();
      if (!e.repeat) void nextStep();
      return;
    }
    if (e.key === 'PageUp') {
      e.preventDefault();
      if (!e.repeat) void previousStep();
      return;
    }
  }
  if (app.readOnly) return;
  if (place) {
    goBy(e, place);
    return;
  }
  // Rays by the arrows wherever the focus has no use for them itself.
  if ((e.key === 'ArrowLeft' || e.key === 'ArrowRight') && (e.target === document.body || (e.target as Element).closest?.('main.place') === e.target)) {
    const shown = boardOrder();
    const next = shown[shown.indexOf(app.ray) + (e.key === 'ArrowRight' ? 1 : -1)];
    if (next) selectRay(next);
  }
});

// What waits for the connection is lost with the page.
addEventListener('beforeunload', (e) => {
  if (app.saving > 0) e.preventDefault();
});
addEventListener('error', (e) => told(e.error ?? e.message));
addEventListener('unhandledrejection', (e) => told(e.reason));

// ---- start -------------------------------------------------------------------------------------------------------

const watched = /^\/watch\/([^/]+)\/?$/.exec(location.pathname)?.[1];
const asked = addressed();
void api.about().then((a) => set({ version: a.version, advice: a.advice || app.advice })).catch(told);
if (watched) {
  app.readOnly = true;
  void open(decodeURIComponent(watched), 'theatre');
} else if (asked) {
  void open(asked.id, asked.place).then((ok) => {
    if (!ok) leave();
  });
} else {
  showList();
}
draw();
