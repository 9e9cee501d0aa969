// Follow-up: is it as planned, how does it go on, what leaves the program.
import { h, type JSX } from 'preact';
import { api } from '../api';
import { Field } from '../elements';
import { app, boardOrder, changed, edit, told } from '../store';
import { besides } from '../stage';
import { filmTitle } from '../views/real-film-view';
import type { DeviceChange, DeviceCheck, ExportItem, FollowupCheck, RayChange, RayCheck, Verdict } from '../types';
import { checkResult, type Given } from '../upload';
import { button, filePick, section, work } from '../widgets';
import { bytes, capital, day, deg, longDay, mm, num, shiftWords, today, keyName } from '../words';
import { fetchLink } from '../fetching';
import { drawn, limitWords, notPlanned } from './injury';
import { phrase } from '../phrases';

const form = { temporary: false, views: '' };
let exportsOf = '';
let exportList: ExportItem[] | null = null;

function loadExports(): void {
  const s = app.state;
  if (!s) return;
  const key = `${s.id} ${s.seq}`;
  if (key === exportsOf) return;
  exportsOf = key;
  api
    .exports(s.id)
    .then((list) => {
      exportList = list;
      changed();
    })
    .catch(told);
}

export const takeFollowup = (given: Given[]): void => {
  const views = form.views.trim().split(/[\s,]+/).filter(Boolean);
  void checkResult(given, { ...(views.length ? { views } : {}), ...(form.temporary ? { temporary: true } : {}) });
};

function give(): JSX.Element {
  return section(
    phrase('page.films_ct_after_operation'),
    h('p', null, phrase('page.drop_two_more_films_clearly_different')),
    h('div', { class: 'row' }, filePick(phrase('page.choose_films'), false, takeFollowup, 'pick-films'), filePick(phrase('page.choose_ct_folder'), true, takeFollowup, 'pick-ct')),
    h(
      'label',
      { class: 'tick' },
      h('input', { type: 'checkbox', checked: form.temporary, onChange: (e: Event) => (form.temporary = (e.target as HTMLInputElement).checked) }),
      phrase('page.temporary_wires_still'),
    ),
    h(
      'label',
      { class: 'field' },
      h('span', null, phrase('page.views_films_if_their_headers_do')),
      h('input', { type: 'text', placeholder: 'dorsoplantar-20 lateral', value: form.views, onInput: (e: Event) => (form.views = (e.target as HTMLInputElement).value) }),
    ),
  );
}

const kMarks: Record<Verdict, string> = { anatomical: '●', acceptable: '◆', 'not reduced': '▲', 'not known': '?' };
const verdictWords = (v: Verdict): string => `${kMarks[v]} ${keyName(v)}`;

function rayWords(r: RayCheck): string {
  const s = r.shift_mm;
  const ways = shiftWords(s).filter((_, i) => Math.abs([s.lateral, s.dorsal, s.distal][i]!) >= 0.05);
  const found = r.in_plane
    ? phrase('page.plane_film', { in_plane: mm(r.in_plane.mm), uncertainty: num(r.in_plane.uncertainty_mm) })
    : `${mm(s.total)} ± ${num(r.uncertainty.mm)}`;
  return phrase('page.turned', { found, ways: ways.length ? ` (${ways.join(', ')})` : '', total: deg(r.turn_deg.total, 1), doubt: 
    r.sure ? '' : phrase('page.not_sure', { doubt: r.doubt ?? phrase('page.interval_reaches_limit') })
   });
}

function deviceWords(d: DeviceCheck): string {
  if (!d.seen) return phrase('page.not_seen');
  const f = d.from_plan;
  const off = f ? [phrase('page.entry_off', { entry: mm(f.entry_mm) }), phrase('page.tip_off', { tip: mm(f.tip_mm) }), phrase('page.axis_off', { axis_deg: deg(f.axis_deg, 1) })] : [];
  return [...off, ...d.warnings].join(', ') || '–';
}

/** What changed since the check before, of one ray or device. */
const sinceWords = (c: RayChange | DeviceChange | undefined): string =>
  c ? `${c.moved ? '▲ ' : ''}${c.words}${c.uncertainty ? ` (± ${mm(c.uncertainty.mm)})` : ''}` : '–';

function checkRow(name: string, verdict: string, words: string, since: string | null): JSX.Element {
  return h(
    'tr',
    { key: name },
    h('th', { scope: 'row' }, name),
    h('td', null, verdict),
    h('td', null, words),
    since === null ? null : h('td', { 'data-test': 'since' }, since),
  );
}

function checkRows({ rays, devices, since }: FollowupCheck): JSX.Element[] {
  return [
    ...rays.map((r) => checkRow(phrase('page.ray_2', { ray: r.ray }), verdictWords(r.verdict), rayWords(r), since ? sinceWords(since.rays.find((x) => x.ray === r.ray)) : null)),
    ...devices.map((d) => {
      const verdict = d.warnings.length ? phrase('page.look_alarm') : d.seen ? phrase('page.no_warning') : phrase('page.not_seen_2');
      return checkRow(d.id, verdict, deviceWords(d), since ? sinceWords(since.devices.find((x) => x.id === d.id)) : null);
    }),
  ];
}

function check(c: FollowupCheck): JSX.Element {
  return h(
    'article',
    { class: 'check', key: `c${c.n}`, 'data-test': `check-${c.n}` },
    h('h3', null, `${day(c.date)}: ${c.kind === 'ct' ? 'CT' : 'films'}`),
    h('p', { class: 'verdict' }, `${kMarks[c.verdict]} ${capital(c.verdict)}`),
    h(
      'table',
      null,
      h('thead', null, h('tr', null, ...['', phrase('page.column_verdict'), phrase('page.against_plan'), ...(c.since ? [c.since.date ? phrase('page.since_date', { date: day(c.since.date) }) : phrase('page.since_check_before')] : [])].map((t) => h('th', { scope: 'col' }, t || h('span', { class: 'hidden' }, 'Which'))))),
      h('tbody', null, checkRows(c)),
    ),
    c.cautions.length ? h('ul', { class: 'reasons mild' }, c.cautions.map((w) => h('li', null, w))) : null,
    c.films?.length
      ? h('div', { class: 'row' }, c.films.map((f) => button(phrase('page.beside_simulated_film', { f: filmTitle(f) }), () => besides(f.id), { key: f.id, class: 'quiet' })))
      : null,
    h('a', { href: api.file(app.state!.id, c.report), target: '_blank', rel: 'noopener' }, phrase('page.report_check')),
  );
}

interface Series {
  name: string;
  values: (number | null)[];
  /** Half widths of 95 % intervals, where there are any. */
  within?: (number | null)[];
  chosen: boolean;
}

/** Lines over the times at which the foot was measured. */
function plot(labels: string[], series: Series[], limits: number[], words: string): JSX.Element {
  const w = 340;
  const height = 170;
  const all = series.flatMap((s) => s.values.map((v, i) => (v === null ? null : v + ((s.chosen ? s.within?.[i] : null) ?? 0))).filter((v): v is number => v !== null));
  const most = Math.max(2.5, ...limits.map((l) => l * 1.2), ...all);
  const least = Math.min(0, ...all);
  const x = (i: number): number => 34 + ((w - 74) * i) / Math.max(1, labels.length - 1);
  const y = (v: number): number => height - 24 - ((height - 36) * (v - least)) / (most - least);
  const ticks = [0, ...(most > 12 ? [5, 10, 20, 40] : most > 5 ? [2, 5, 10] : [1, 2, 4])].filter((t) => t <= most);
  const dashes = ['', '6 3', '2 3', '8 3 2 3', '1 4'];
  return h(
    'svg',
    { class: 'plot', viewBox: `0 0 ${w} ${height}`, role: 'img', 'aria-label': words, 'data-test': 'course' },
    ticks.map((v) => [
      h('path', { d: `M34 ${y(v)}H${w - 40}`, stroke: 'var(--rule)', fill: 'none' }),
      h('text', { x: 28, y: y(v) + 4, 'text-anchor': 'end' }, String(v)),
    ]),
    limits.map((v) => h('path', { d: `M34 ${y(v)}H${w - 40}`, stroke: 'var(--alarm)', 'stroke-dasharray': '4 3', fill: 'none' })),
    // Dates that would lie over each other give way to the last.
    labels.map((p, i) => i > 0 && i < labels.length - 1 && x(i + 1) - x(i) < 66 && i > 1 ? null : h('text', { x: x(i), y: height - 6, 'text-anchor': i === 0 ? 'start' : i === labels.length - 1 ? 'end' : 'middle' }, p)),
    series.map((s, k) => {
      const line = s.values.map((v, i) => [x(i), v] as const).filter((p): p is readonly [number, number] => p[1] !== null);
      const last = line[line.length - 1];
      return h(
        'g',
        { key: s.name },
        h('path', { d: line.map(([px, v], i) => `${i ? 'L' : 'M'}${px} ${y(v)}`).join(''), fill: 'none', stroke: s.chosen ? 'var(--place)' : 'var(--stay)', 'stroke-width': s.chosen ? 3 : 1.5, 'stroke-dasharray': dashes[k % 5] || null }),
        s.chosen
          ? s.values.map((v, i) => {
              const by = s.within?.[i];
              return v === null || !by ? null : h('path', { d: `M${x(i)} ${y(Math.max(least, v - by))}V${y(v + by)}`, stroke: 'var(--place)', 'stroke-width': 1.5 });
            })
          : null,
        line.map(([px, v]) => h('circle', { cx: px, cy: y(v), r: s.chosen ? 3.5 : 2.4, fill: s.chosen ? 'var(--place)' : 'var(--stay)' })),
        last ? h('text', { x: last[0] + 7, y: y(last[1]) + 4 }, s.name) : null,
      );
    }),
  );
}

let plotted = 'shift';

/** From the injury over the plan to what was found since. */
function course(checks: FollowupCheck[]): JSX.Element | null {
  const p = app.state?.plan;
  if (!p || !checks.length) return null;
  const labels = ['injury', 'plan', ...checks.map((c) => day(c.date))];
  const keys = p.measures.filter((m) => m.unit === 'mm' && checks.some((c) => c.measures.some((x) => x.key === m.key)));
  const measure = keys.find((m) => m.key === plotted);
  let series: Series[];
  let limits: number[];
  let hint: string;
  if (measure) {
    const of = (list: { key: string; value: number }[]): number | null => list.find((m) => m.key === measure.key)?.value ?? null;
    series = [{ name: 'mm', values: [measure.value, of(p.measures_reduced), ...checks.map((c) => of(c.measures))], chosen: true }];
    // One on the difference from the other foot says nothing of the values drawn here.
    limits = measure.limit !== null && measure.limit_on === 'value' ? [measure.limit] : [];
    hint = limits.length ? phrase('page.broken_line_limit') : measure.limit === null ? phrase('page.no_limit') : phrase('page.limit', { measure: limitWords(measure) });
  } else {
    series = boardOrder().map((ray) => {
      const s = p.rays.find((r) => r.ray === ray)?.shift_mm;
      const found = checks.map((c) => c.rays.find((r) => r.ray === ray));
      return {
        name: String(ray),
        values: [s ? Math.hypot(s.lateral, s.dorsal, s.distal) : null, s ? 0 : null, ...found.map((r) => r?.shift_mm.total ?? null)],
        within: [null, null, ...found.map((r) => r?.in_plane?.uncertainty_mm ?? r?.uncertainty.mm ?? null)],
        chosen: ray === app.ray,
      };
    });
    limits = [1, 2];
    hint = phrase('page.broken_lines_up_1_mm_anatomical');
  }
  const words = series.map((s) => `${measure ? measure.name : phrase('page.ray_3', { name: s.name })}: ${s.values.map((v, i) => `${labels[i]} ${mm(v)}`).join(', ')}`).join('. ');
  return section(
    phrase('page.heading_course'),
    h(
      'select',
      { 'aria-label': phrase('page.what_drawn_over_time'), value: measure ? measure.key : 'shift', 'data-test': 'course-of', onChange: (e: Event) => ((plotted = (e.target as HTMLSelectElement).value), changed()) },
      h('option', { value: 'shift', key: 'shift' }, phrase('page.shift_each_base_place_mm')),
      keys.map((m) => h('option', { value: m.key, key: m.key }, m.name)),
    ),
    plot(labels, series, limits, words),
    h('p', { class: 'hint' }, hint),
  );
}

function plan(): JSX.Element {
  const f = app.state?.followup;
  const start = f?.surgery_date ?? null;
  return section(
    phrase('page.follow_up_plan'),
    h(
      'label',
      { class: 'field' },
      h('span', null, phrase('page.date_surgery')),
      h(Field, {
        type: 'date',
        value: start ?? '',
        'data-test': 'surgery-date',
        onChange: (e: Event) => {
          const date = (e.target as HTMLInputElement).value;
          if (date) void edit('surgery.date', { date });
        },
      }),
      // The field writes day and month as the browser likes; the words leave no doubt.
      h('b', { 'data-test': 'surgery-date-words', 'aria-live': 'polite' }, start ? longDay(start) : phrase('page.no_date_yet')),
    ),
    h(
      'ol',
      { class: 'appointments', 'data-test': 'followup-plan' },
      (f?.plan ?? []).map((a) =>
        h(
          'li',
          { key: a.id, class: a.done ? 'done' : '' },
          h('b', null, a.title),
          h('span', { class: 'when' }, ` ${a.date_from ? day(a.date_from) : phrase('page.week', { week_from: a.week_from })}`, a.week_to > a.week_from ? ` to ${a.date_to ? day(a.date_to) : phrase('page.week_2', { week_to: a.week_to })}` : ''),
          h('p', null, a.text),
          a.source ? h('p', { class: 'source' }, `${a.source}${a.certainty && a.certainty !== a.source ? ` (${a.certainty})` : ''}`) : null,
          a.done
            ? h('div', { class: 'row' }, h('span', { class: 'small' }, phrase('page.kept', { done: typeof a.done === 'string' ? day(a.done) : '' })), button(phrase('page.not_kept'), () => void edit('followup.done', { id: a.id, date: null })))
            : button(phrase('page.kept_today'), () => void edit('followup.done', { id: a.id, date: today() }), { test: `kept-${a.id}` }),
        ),
      ),
    ),
    start ? h('a', { href: api.made(app.state!.id, 'followup.ics'), download: '', 'data-test': 'ics' }, phrase('page.into_calendar_ics')) : h('p', { class: 'small' }, phrase('page.date_surgery_appointments_go_into_calendar')),
  );
}

/** Reports by themselves; the many files of one sort behind their name. */
function grouped(list: ExportItem[]): { single: ExportItem[]; groups: Map<string, ExportItem[]> } {
  const single: ExportItem[] = [];
  const groups = new Map<string, ExportItem[]>();
  for (const e of list) {
    if (/\.(pdf|json|nrrd)$/.test(e.name) && !/plan before|planned before/.test(e.what)) single.push(e);
    else groups.set(e.what, [...(groups.get(e.what) ?? []), e]);
  }
  return { single, groups };
}

function exportsBlock(): JSX.Element {
  loadExports();
  const id = app.state!.id;
  const list = exportList ?? [];
  const { single, groups } = grouped(list);
  const link = (e: ExportItem, words: string): JSX.Element =>
    h('li', { key: e.path }, fetchLink(api.file(id, e.path), words, e.bytes ? `${e.name}, ${bytes(e.bytes)}` : ''));
  return section(
    phrase('page.take_along'),
    h('p', { class: 'hint' }, phrase('page.films_report_changed_plan_archive_made')),
    h(
      'ul',
      { class: 'exports', 'data-test': 'exports' },
      h('li', { key: 'zip' }, fetchLink(api.made(id, 'all.zip'), phrase('page.everything_but_images_one_archive_zip'))),
      single.map((e) => link(e, e.what)),
      h('li', { key: 'csv' }, fetchLink(api.made(id, 'measures.csv'), phrase('page.measures_table_csv'))),
      h('li', { key: 'json' }, fetchLink(api.made(id, 'case.json'), phrase('page.case_history_json'))),
      [...groups].map(([what, items]) =>
        h('li', { key: what }, h('details', null, h('summary', null, `${what} (${items.length})`), h('ul', null, items.map((e) => link(e, e.name))))),
      ),
    ),
  );
}

export function followup(): (JSX.Element | null)[] {
  const s = app.state;
  if (!s?.plan) return [work(), notPlanned()];
  const checks = s.followup?.checks ?? [];
  return [
    work(),
    give(),
    checks.length ? section(phrase('page.against_plan'), [...checks].reverse().map(check)) : section(phrase('page.against_plan'), h('p', null, phrase('page.no_films_ct_after_operation_yet'))),
    course(checks),
    plan(),
    drawn(),
    exportsBlock(),
  ];
}

