// Fixation: each device, its way, its checks, and changes by hand.
import { h, type JSX } from 'preact';
import { add, mul, unit, sub } from '../math';
import { dragDevice, dropDevice } from '../moves';
import { app, devicesNow, edit, selectDevice, say } from '../store';
import type { Device } from '../types';
import { button, cautions, leftOut, section, work } from '../widgets';
import { sliceView } from '../stage';
import { capital, checkRows, deviceMark, fate, mm, rayName } from '../words';
import { drawn, notPlanned } from './injury';
import { phrase } from '../phrases';

/** What can be put in its place: implants of the catalogue of the same kind. */
function implants(d: Device): [string, string][] {
  const known = (app.state?.implants ?? []).filter((i) => i.kind === d.kind).map((i): [string, string] => [i.id, i.name]);
  return known.some(([id]) => id === d.type) ? known : [[d.type, d.name], ...known];
}

function row(d: Device): JSX.Element {
  return h(
    'tr',
    { key: d.id, class: `${d.id === app.device ? 'chosen' : ''}${d.ok === false ? ' failing' : ''}`, 'data-test': `device-row-${d.id}` },
    h('th', { scope: 'row' }, button([deviceMark(d), ` ${d.id}`], () => selectDevice(d.id), { class: 'quiet', pressed: d.id === app.device, test: `device-${d.id}` })),
    h('td', null, d.through.join(' → ')),
    h('td', { class: 'figure' }, h('b', null, mm(d.length_mm, 0))),
    h('td', null, d.ok === false ? h('span', { class: 'alarm' }, phrase('page.look_alarm')) : h('span', null, phrase('page.met')), d.by_hand ? h('div', { class: 'small' }, phrase('page.hand')) : null),
  );
}

/** The devices in one look, above the one that is held. */
function chips(): JSX.Element {
  return h(
    'div',
    { class: 'chips', key: 'chips', role: 'group', 'aria-label': phrase('page.device') },
    devicesNow().map((d) =>
      button([deviceMark(d), d.id, d.ok === false ? ' ▲' : ''], () => selectDevice(d.id), {
        key: d.id,
        pressed: d.id === app.device,
        test: `chip-${d.id}`,
        class: d.ok === false ? 'failing' : '',
        title: `${d.name}, ${mm(d.length_mm, 0)}${d.ok === false ? `: ${d.reasons.join('; ')}` : ''}`,
      }),
    ),
  );
}

function list(): JSX.Element {
  const all = devicesNow();
  const group = (title: string, some: Device[]): JSX.Element[] =>
    some.length ? [h('tbody', { key: title }, h('tr', null, h('th', { colspan: 4, scope: 'colgroup', class: 'group' }, title)), some.map(row))] : [];
  const removed = app.state?.history.filter((r) => r.kind === 'device.remove' && r.active).length ?? 0;
  return section(
    phrase('page.heading_devices'),
    h(
      'table',
      { class: 'devices', 'data-test': 'devices' },
      h('thead', null, h('tr', null, ...[phrase('page.column_device'), phrase('page.column_through'), phrase('page.length'), phrase('page.column_checks')].map((t) => h('th', { scope: 'col' }, t)))),
      ...group(phrase('page.definitive'), all.filter((d) => d.stage !== 'temporary')),
      ...group(phrase('page.temporary_while_next_put'), all.filter((d) => d.stage === 'temporary')),
    ),
    removed ? h('p', { class: 'small' }, phrase('page.left_out_hand_undo_brings_them', { removed })) : null,
  );
}

function lengths(d: Device): number[] {
  const all = d.lengths_mm.length ? d.lengths_mm : [d.length_mm];
  return all.includes(d.length_mm) ? all : [...all, d.length_mm].sort((a, b) => a - b);
}

function setLength(d: Device, length: number): void {
  const tip = add(d.entry, mul(unit(sub(d.tip, d.entry)), length));
  void edit('device.set', { id: d.id, entry: d.entry, tip });
}

async function setType(d: Device, type: string): Promise<void> {
  if (await edit('device.set', { id: d.id, entry: d.entry, tip: d.tip, type })) say(phrase('page.now_another_implant', { id: d.id }));
}

function margins(d: Device): JSX.Element | null {
  const v = sliceView('drill');
  const seen = [...v.margins.entries()].sort((a, b) => a[0] - b[0]);
  if (seen.length < 2) return null;
  const wanted = d.margin_wanted_mm;
  const w = 300;
  const height = 46;
  const end = Math.max(d.length_mm, seen[seen.length - 1]![0]);
  const most = Math.max(3, ...seen.map(([, m]) => m));
  const x = (t: number): number => (w * Math.max(0, t)) / end;
  const y = (m: number): number => height - 4 - ((height - 8) * Math.max(0, m)) / most;
  return h(
    'div',
    { class: 'margins', key: 'margins' },
    h('span', { class: 'small' }, phrase('page.margin_cortex_where_looked_depth')),
    h(
      'svg',
      { viewBox: `0 0 ${w} ${height}`, role: 'img', 'aria-label': phrase('page.margin_between', { seen: mm(Math.min(...seen.map(([, m]) => m))), seen_2: mm(Math.max(...seen.map(([, m]) => m))) }) },
      h('path', { d: `M0 ${y(wanted)}H${w}`, stroke: 'var(--alarm)', 'stroke-dasharray': '4 3', fill: 'none' }),
      h('path', { d: seen.map(([t, m], i) => `${i ? 'L' : 'M'}${x(t).toFixed(1)} ${y(m).toFixed(1)}`).join(''), stroke: 'var(--place)', 'stroke-width': 2, fill: 'none' }),
      h('path', { d: `M${x(v.offset)} 0V${height}`, stroke: '#23272C', fill: 'none' }),
    ),
  );
}

function detail(): JSX.Element | null {
  const d = devicesNow().find((x) => x.id === app.device);
  if (!d) return null;
  const trial = !!app.trial?.devices.some((x) => x.id === d.id);
  const nudge = (which: 'entry' | 'tip', by: number): void => {
    const along = unit(sub(d.tip, d.entry));
    dragDevice(d.id, which, mul(along, by));
    void dropDevice();
  };
  return h(
    'section',
    { class: 'block detail', key: 'detail', 'aria-label': phrase('page.device_2', { id: d.id }) },
    h('h2', null, deviceMark(d), ` ${d.id}: ${d.name}, ${mm(d.length_mm, 0)}`, h('span', { class: 'small' }, ` ${rayName(d.ray)}, ${fate(d)}`)),
    h(
      'div',
      { 'aria-live': 'polite', 'data-test': 'device-checks', class: trial ? 'trial' : '' },
      d.ok === false
        ? h('ul', { class: 'reasons' }, (d.reasons.length ? d.reasons : [phrase('page.check_fails')]).map((r) => h('li', null, `▲ ${capital(r)}`)))
        : h('p', { class: 'good' }, phrase('page.all_checks_met_2')),
      d.remarks.length ? h('ul', { class: 'reasons mild' }, d.remarks.map((w) => h('li', null, capital(w)))) : null,
    ),
    h('p', null, d.entry_words ? `${phrase('page.enters', { entry: d.entry_words })} ` : '', d.direction_words ? capital(d.direction_words) : ''),
    app.readOnly
      ? null
      : h(
          'div',
          { class: 'row' },
          lengths(d).length > 1
            ? h(
                'label',
                { class: 'field' },
                h('span', null, phrase('page.length')),
                h(
                  'select',
                  { value: String(d.length_mm), 'data-test': 'device-length', 'data-plan': '', onChange: (e: Event) => setLength(d, Number((e.target as HTMLSelectElement).value)) },
                  lengths(d).map((l) => h('option', { value: String(l), key: String(l) }, mm(l, l % 1 ? 1 : 0))),
                ),
              )
            : h('div', { class: 'row' }, button(phrase('page.1_mm_less_deep'), () => nudge('tip', -1)), button(phrase('page.1_mm_deeper'), () => nudge('tip', 1))),
          h(
            'label',
            { class: 'field' },
            h('span', null, phrase('page.implant')),
            h(
              'select',
              { value: d.type, 'data-test': 'device-type', 'data-plan': '', onChange: (e: Event) => void setType(d, (e.target as HTMLSelectElement).value) },
              implants(d).map(([id, name]) => h('option', { value: id, key: id }, name)),
            ),
          ),
        ),
    app.readOnly
      ? null
      : h(
          'div',
          { class: 'row' },
          button(phrase('page.do_not_use'), () => void edit('device.remove', { id: d.id }), { test: 'device-remove' }),
          d.swaps_to
            ? button(
                phrase('page.ray', { ray: d.ray, kind: phrase(`page.instead_${d.swaps_to}`) }),
                () => void edit('device.swap', { ray: d.ray, to: d.swaps_to }),
                { test: 'device-swap' },
              )
            : null,
        ),
    margins(d),
    h(
      'details',
      { key: 'checks' },
      h('summary', null, phrase('page.every_check')),
      h('table', null, h('tbody', null, checkRows(d.checks ?? {}).map(([k, v]) => h('tr', { key: k }, h('th', { scope: 'row' }, capital(k)), h('td', { class: 'figure' }, v))))),
    ),
    h('p', { class: 'hint' }, phrase('page.drag_round_handles_foot_slice_along')),
  );
}

export function fixation(): (JSX.Element | null)[] {
  const plan = app.state?.plan;
  if (!plan) return [work(), notPlanned()];
  return [work(), leftOut(), chips(), detail(), list(), cautions(phrase('page.where_harm_possible'), plan.standing_cautions), drawn()];
}
