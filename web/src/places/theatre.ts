// Theatre: one step at a time, large, dark; a foot pedal's keys go on and back. The second screen shows the same.
import { h, type JSX } from 'preact';
import { api } from '../api';
import { Field, host } from '../elements';
import { app, changed, deviceNow, edit, selectDevice, selectRay, set, showFoot } from '../store';
import { filmView, footView } from '../stage';
import type { TheatreStep } from '../types';
import { viewName } from '../views/film-view';
import { button, cautions, work } from '../widgets';
import { day, mm, person } from '../words';
import { notPlanned } from './injury';
import { phrase } from '../phrases';

const steps = (): TheatreStep[] => app.state?.theatre?.steps ?? [];
/** The first that is not done; after the last, none. */
export function currentStep(): number {
  const i = steps().findIndex((s) => !s.done);
  return i < 0 ? steps().length : i;
}

let shown: 'picture' | 'film' | 'foot' = 'picture';
let followed = '';

/** Views go with the step. */
export function followStep(): void {
  const s = steps()[currentStep()];
  const key = `${app.state?.id} ${s?.id}`;
  if (key === followed) return;
  followed = key;
  if (!s) return;
  if (s.device && deviceNow(s.device)) selectDevice(s.device);
  else if (s.ray) selectRay(s.ray);
  const v = filmView();
  v.show = 'metal';
  if (s.view?.name) v.view(s.view.name);
  else if (s.view && typeof s.view.orbital === 'number') v.aim(s.view.orbital, s.view.tilt ?? 0);
  shown = s.picture ? 'picture' : s.view ? 'film' : 'foot';
}

/** What speaks against the step as planned, and whether the plan is the one that is wanted. */
const alarmsOf = (s: TheatreStep | undefined): string[] => [...(app.state?.stale ? [phrase('page.alarm_stale')] : []), ...(s?.alarms ?? [])];

/** A step with an alarm is done only after a word. */
export async function nextStep(): Promise<void> {
  const s = steps()[currentStep()];
  if (!s || app.readOnly || app.question) return;
  const done = (): void => void edit('theatre.step', { step: s.id, done: true });
  const alarms = alarmsOf(s);
  if (!alarms.length) return done();
  set({ question: { words: phrase('page.alarm_go_on', { alarms: alarms.join(' ') }), answers: [{ words: phrase('page.alarm_done_all_the_same'), test: 'answer-step', act: done }] } });
}
export async function previousStep(): Promise<void> {
  const s = steps()[currentStep() - 1];
  if (s && !app.readOnly) await edit('theatre.step', { step: s.id, done: false });
}

/** The longest that is sold and no longer than that. */
const longestWithin = (lengths: number[], most: number): number | null => lengths.filter((l) => l <= most + 1e-6).at(-1) ?? null;

function depth(s: TheatreStep): JSX.Element | null {
  const d = deviceNow(s.device ?? null);
  if (!d?.gauged) return null;
  const measured = d.measured_mm ?? null;
  const planned = s.expected_mm ?? d.measured_depth_mm ?? d.length_mm;
  const off = measured === null ? null : measured - planned;
  const far = off !== null && d.gauge_off;
  const other = off === null ? null : longestWithin(d.lengths_mm, d.length_mm + off);
  return h(
    'div',
    { class: 'depth', key: `depth-${d.id}` },
    h('p', { class: 'planned' }, phrase('page.planned', { length: mm(d.length_mm, 0), type: d.name ?? d.type })),
    app.readOnly
      ? h('p', null, measured === null ? phrase('page.gauge_not_read_yet') : phrase('page.gauge', { measured: mm(measured) }))
      : h(
          'label',
          null,
          h('span', null, phrase('page.gauge_reads_mm')),
          h(Field, {
            type: 'number',
            inputmode: 'decimal',
            min: 5,
            max: 100,
            step: 0.5,
            value: measured ?? '',
            'data-test': 'depth',
            onChange: (e: Event) => {
              const text = (e.target as HTMLInputElement).value.trim();
              const x = text === '' ? null : Number(text);
              if (x !== null && (!Number.isFinite(x) || x <= 0)) return;
              void edit('depth.measured', { device: d.id, mm: x });
            },
          }),
        ),
    h(
      'p',
      { 'aria-live': 'polite', 'data-test': 'depth-result', class: far ? 'result far' : 'result' },
      // One text: what is said aloud when it changes is the whole of it.
      phrase('page.expected', { planned: mm(planned), off: off === null ? '' : ` · ${off === 0 ? phrase('page.planned_2') : `${mm(Math.abs(off))} ${off > 0 ? 'deeper' : 'shorter'}`}` }),
      other !== null && other !== d.length_mm && !far ? h('b', { 'data-test': 'depth-take' }, ` ${phrase('page.gauge_take', { length: mm(other, 0) })}`) : null,
      far ? h('span', { class: 'alarm' }, phrase('page.another_path_planned_look_under_arm')) : null,
    ),
  );
}

/** The white round the drawing is left out, so that the drawing is as large as the screen allows. */
function cutToDrawing(image: HTMLImageElement): void {
  const scale = Math.min(1, 400 / image.naturalWidth);
  const w = Math.round(image.naturalWidth * scale);
  const height = Math.round(image.naturalHeight * scale);
  const canvas = document.createElement('canvas');
  canvas.width = w;
  canvas.height = height;
  const context = canvas.getContext('2d', { willReadFrequently: true });
  if (!context || !w || !height) return;
  context.drawImage(image, 0, 0, w, height);
  const { data } = context.getImageData(0, 0, w, height);
  let [left, top, right, bottom] = [w, height, -1, -1];
  for (let y = 0; y < height; ++y)
    for (let x = 0; x < w; ++x) {
      const i = 4 * (y * w + x);
      if (data[i + 3]! < 20 || Math.min(data[i]!, data[i + 1]!, data[i + 2]!) > 245) continue;
      left = Math.min(left, x);
      right = Math.max(right, x);
      top = Math.min(top, y);
      bottom = Math.max(bottom, y);
    }
  if (right < left) return;
  const percent = (part: number, of: number): string => `${Math.max(0, (100 * part) / of - 1.5).toFixed(2)}%`;
  const inset = [percent(top, height), percent(w - 1 - right, w), percent(height - 1 - bottom, height), percent(left, w)];
  image.style.setProperty('object-view-box', `inset(${inset.join(' ')})`);
}

function sight(s: TheatreStep | undefined): JSX.Element {
  const kinds: ['picture' | 'film' | 'foot', string][] = [];
  if (s?.picture) kinds.push(['picture', phrase('page.picture')]);
  kinds.push(['film', phrase('page.c_arm')], ['foot', phrase('page.foot')]);
  const now = shown === 'picture' && !s?.picture ? 'film' : shown;
  return h(
    'div',
    { class: 'sight', key: 'sight' },
    h(
      'div',
      { class: 'choice', role: 'group', 'aria-label': phrase('page.what_shown') },
      kinds.map(([id, name]) => button(name, () => {
        shown = id;
        if (id === 'foot') showFoot('reduced');
        changed();
      }, { pressed: id === now, key: id, test: `sight-${id}` })),
    ),
    now === 'picture' && s?.picture
      ? h('div', { class: 'picture', key: 'picture' }, h('img', { key: s.picture, src: api.file(app.state!.id, s.picture), alt: s.title, onLoad: (e: Event) => cutToDrawing(e.currentTarget as HTMLImageElement) }))
      : now === 'film'
        ? h('div', { class: 'picture', key: 'film' }, host(filmView().element, 't-film'))
        : h('div', { class: 'picture pale', key: 'foot' }, host(footView().element, 't-foot')),
  );
}

/** A sign while the column goes on below. */
function markMore(e: Element): void {
  e.classList.toggle('goes-on', e.scrollTop + e.clientHeight < e.scrollHeight - 40);
}

export function updateTheatre(): void {
  followStep();
  const column = document.querySelector('.theatre .step');
  if (column) markMore(column);
  if (filmView().element.isConnected) filmView().update();
  if (footView().element.isConnected) footView().update();
}

/** Whose foot is operated on, which side, and when this plan was made. */
function patient(): JSX.Element | null {
  const plan = app.state?.plan;
  if (!plan) return null;
  const { name, id, born } = plan.patient;
  const made = app.state!.history.filter((x) => x.kind === 'plan' && x.active).at(-1)?.at;
  return h(
    'p',
    { class: 'patient', 'data-test': 'theatre-patient' },
    h('b', null, phrase(`page.side_${plan.side}_capitals`)),
    [person(name), id, born ? phrase('page.born', { date: day(born) }) : '', made ? phrase('page.planned_on', { date: day(made.slice(0, 10)) }) : '']
      .filter(Boolean)
      .map((text) => h('span', null, text)),
  );
}

export function theatre(): JSX.Element {
  const all = steps();
  if (!app.state?.plan) return h('main', { class: 'theatre', key: 'theatre', id: 'place' }, work(), notPlanned());
  const at = currentStep();
  const s = all[at];
  return h(
    'main',
    { class: 'theatre', key: 'theatre', id: 'place', tabindex: -1, 'data-test': 'theatre' },
    h(
      'div',
      { class: 'task' },
    patient(),
    h(
      'div',
      { class: 'step', onScroll: (e: Event) => markMore(e.currentTarget as Element) },
      h('p', { class: 'count', 'aria-live': 'polite' }, s ? phrase('page.step_2', { at: at + 1, all: all.length }) : phrase('page.all_steps_done', { all: all.length })),
      h('h1', { 'data-test': 'step-title' }, alarmsOf(s).length ? h('span', { class: 'alarm', 'aria-hidden': 'true' }, '▲ ') : null, s?.title ?? phrase('page.done')),
      alarmsOf(s).length ? h('ul', { class: 'alarms', role: 'alert', 'data-test': 'step-alarms' }, alarmsOf(s).map((a) => h('li', { key: a }, a))) : null,
      s ? h('ul', { class: 'lines' }, s.lines.map((l) => h('li', null, l))) : h('p', null, phrase('page.check_result_under_arm_two_views')),
      s?.instrument ? h('p', { class: 'instrument' }, h('span', null, phrase('page.instrument')), ' ', h('b', null, s.instrument)) : null,
      s && (typeof s.expected_mm === 'number') && !s.device ? h('p', { class: 'instrument' }, h('span', null, phrase('page.expected_reading')), ' ', h('b', null, mm(s.expected_mm))) : null,
      s?.view ? h('p', { class: 'instrument' }, h('span', null, phrase('page.c_arm')), ' ', h('b', null, viewName(s.view.name, s.view.orbital ?? 0, s.view.tilt ?? 0))) : null,
      h(
        'details',
        { class: 'instruments', open: at === 0, key: 'instruments', onToggle: (e: Event) => markMore((e.currentTarget as Element).parentElement!) },
        h('summary', null, phrase('page.table_cautions')),
        h('ul', null, (app.state.theatre?.instruments ?? []).map((i) => h('li', null, i))),
        cautions(phrase('page.where_harm_possible'), app.state.plan.standing_cautions),
      ),
    ),
    // Always in sight: the answer to the gauge decides whether to go on.
    s ? depth(s) : null,
    ),
    sight(s),
    h(
      'div',
      { class: 'pedal' },
      app.readOnly
        ? h('p', null, phrase('page.second_screen_shows_step_changes_nothing'))
        : [
            button(phrase('page.back'), () => void previousStep(), { test: 'step-back', disabled: at === 0, key: 'back', title: phrase('page.page_up') }),
            button(s ? phrase('page.done_next') : phrase('page.done'), () => void nextStep(), { test: 'step-next', class: 'primary', disabled: !s, key: 'next', title: phrase('page.space_page_down') }),
            h('a', { href: `/watch/${encodeURIComponent(app.state.id)}`, target: '_blank', rel: 'noopener', key: 'watch', 'data-test': 'watch-link' }, phrase('page.open_second_screen')),
          ],
      h('div', { class: 'dots', 'aria-hidden': 'true' }, all.map((x, i) => h('i', { key: x.id, class: x.done ? 'done' : i === at ? 'now' : '' }))),
    ),
  );
}
