// Injury: how far each ray is off, what pattern that is and why, measures with their limits and sources.
import { h, type JSX } from 'preact';
import { app, boardOrder, changed, edit, rayNow, selectRay } from '../store';
import type { DrawnMeasure, Measure } from '../types';
import { chosenMeasures } from '../views/foot-view';
import { button, cautions, section, work } from '../widgets';
import { angleAt, dist } from '../math';
import { footView } from '../stage';
import { capital, inUnit, keyName, mm, num, rayName, sense, shiftWords, stateMark, wayName } from '../words';
import { phrase } from '../phrases';

function displacement(): JSX.Element {
  return section(
    phrase('page.heading_displacement'),
    h(
      'table',
      { 'data-test': 'displacement' },
      h('caption', null, phrase('page.base_each_metatarsal_against_where_belongs')),
      h(
        'thead',
        null,
        h('tr', null, ...[phrase('page.column_ray'), phrase('page.shift_mm'), phrase('page.turn_degrees'), phrase('page.column_state')].map((t) => h('th', { scope: 'col' }, t))),
      ),
      h(
        'tbody',
        null,
        boardOrder().map((n) => {
          const r = rayNow(n);
          const s = r?.shift_mm;
          const t = r?.turn_deg;
          return h(
            'tr',
            { key: `d${n}`, class: n === app.ray ? 'chosen' : '', onClick: () => selectRay(n) },
            h('th', { scope: 'row' }, String(n)),
            h(
              'td',
              null,
              s ? shiftWords(s).map((way) => h('div', null, way)) : '–',
            ),
            h(
              'td',
              null,
              t ? [h('div', null, sense(t.abduction, wayName('abduction'), wayName('adduction'), 0)), h('div', null, sense(t.plantarflexion, wayName('plantarflexion'), wayName('dorsiflexion'), 0)), h('div', null, sense(t.pronation, wayName('pronation'), wayName('supination'), 0))] : '–',
            ),
            h('td', null, r ? h('span', { class: 'state' }, stateMark(r.state), keyName(r.state)) : '–', r?.uncertainty && !r.by_hand ? h('div', { class: 'small' }, `± ${mm(r.uncertainty.mm)}`) : null),
          );
        }),
      ),
    ),
  );
}

function patterns(): JSX.Element | null {
  const p = app.state?.plan?.patterns;
  if (!p) return null;
  const rows: [string, string, string][] = [
    [phrase('page.qu_nu_ss_2'), keyName(p.quenu_kuss), p.reasons.quenu_kuss],
    ['Hardcastle', keyName(p.hardcastle), p.reasons.hardcastle],
    ['Myerson', keyName(p.myerson), p.reasons.myerson],
    [phrase('page.heading_columns'), p.columns_words, ''],
  ];
  return section(
    phrase('page.heading_pattern'),
    h(
      'dl',
      { class: 'patterns', 'data-test': 'patterns' },
      rows.map(([name, value, reason]) => [
        h('dt', null, name),
        h('dd', null, h('b', null, capital(value)), reason ? h('span', { class: 'reason' }, ` ${reason}`) : null),
      ]),
    ),
  );
}

export function limitWords(m: Measure): string {
  if (m.limit === null) return phrase('page.no_limit_2');
  const limit = `${m.limit_is === 'lower' ? '≥' : '≤'} ${inUnit(m.limit, m.unit)}`;
  return m.limit_on === 'side difference' ? phrase('page.of_side_difference', { limit }) : limit;
}

export function measureTable(list: Measure[], title: string, test: string): JSX.Element {
  return section(
    title,
    h('p', { class: 'hint' }, phrase('page.eye_draws_measure_foot')),
    h(
      'table',
      { class: 'measures', 'data-test': test },
      h('thead', null, h('tr', null, ...['', phrase('page.column_measure'), phrase('page.column_value'), phrase('page.column_limit')].map((t) => h('th', { scope: 'col' }, t || h('span', { class: 'hidden' }, phrase('page.column_shown')))))),
      h(
        'tbody',
        null,
        [...list]
          .sort((a, b) => Number(b.abnormal === true) - Number(a.abnormal === true))
          .map((m) =>
            h(
              'tr',
              { key: m.key, class: m.abnormal ? 'abnormal' : '' },
              h(
                'td',
                null,
                m.from && m.to
                  ? button(chosenMeasures.has(m.key) ? '●' : '○', () => {
                      if (!chosenMeasures.delete(m.key)) chosenMeasures.add(m.key);
                      footView().draw();
                      changed();
                    }, { class: 'quiet', pressed: chosenMeasures.has(m.key), title: phrase('page.draw_foot', { name: m.name }) })
                  : null,
              ),
              h(
                'td',
                null,
                h('details', { class: 'measure' }, h('summary', null, m.name), m.note ? h('p', null, m.note) : null, m.source ? h('p', { class: 'source' }, `${m.source}${m.certainty ? ` (${m.certainty})` : ''}`) : null),
              ),
              h('td', { class: 'figure' }, m.abnormal ? h('span', { class: 'alarm' }, '▲ ') : '', inUnit(m.value, m.unit, 1), m.difference !== null ? h('div', { class: 'small' }, phrase('page.side_difference', { difference: inUnit(m.difference, m.unit, 1) })) : null),
              h('td', { class: 'figure' }, limitWords(m)),
            ),
          ),
      ),
    ),
  );
}

const value = (m: DrawnMeasure): string => {
  const [a, b, c] = m.points;
  if (m.kind === 'angle' && a && b && c) return `${num(angleAt(a, b, c))}°`;
  return a && b ? `${mm(dist(a, b))}${m.view.startsWith('film') ? phrase('page.detector') : ''}` : '–';
};

/** What was measured by hand, everywhere the same list. */
export function drawn(): JSX.Element | null {
  const list = app.state?.measures_drawn ?? [];
  if (!list.length) return null;
  return section(
    phrase('page.measured_hand'),
    h(
      'ul',
      { class: 'drawn', 'data-test': 'drawn' },
      list.map((m) =>
        h(
          'li',
          { key: m.id },
          h('b', null, value(m)),
          ` ${m.kind}, ${m.view.startsWith('film') ? phrase('page.on_film') : m.view === 'foot' ? phrase('page.space') : m.view}, ${m.state === 'injured' ? phrase('page.scanned') : m.state}`,
          app.readOnly ? null : button(phrase('page.remove'), () => void edit('measure.remove', { id: m.id }), { class: 'quiet', title: phrase('page.remove_2', { kind: m.kind, value: value(m) }) }),
        ),
      ),
    ),
  );
}

export function injury(): (JSX.Element | null)[] {
  const plan = app.state?.plan;
  if (!plan) return [work(), notPlanned()];
  const r = rayNow(app.ray);
  return [
    work(),
    section(capital(rayName(app.ray)), h('p', null, r?.words || (r ? r.state : '–'))),
    patterns(),
    displacement(),
    measureTable(plan.measures, phrase('page.measures_scanned'), 'measures'),
    drawn(),
    cautions(phrase('page.found_case'), plan.cautions),
  ];
}

export const notPlanned = (): JSX.Element =>
  section(phrase('page.not_planned_yet'), h('p', null, phrase('page.place_fills_once_images_planned_images')));
