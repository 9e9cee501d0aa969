// Reduction: in which order the rays go back, how, and where they then stand; each can be moved by hand.
import { h, type JSX } from 'preact';
import { kFreedoms, type Freedom } from '../foot';
import { stepRay } from '../moves';
import { app, edit, order, rayNow, selectRay, set, showFoot, changed } from '../store';
import { button, cautions, choice, leftOut, section, work } from '../widgets';
import { capital, deg, mm, num, ordinal, rayName, wayName } from '../words';
import { drawn, measureTable, notPlanned } from './injury';
import { phrase } from '../phrases';

const step = { mm: 0.5, deg: 1 };

function orderList(): JSX.Element {
  const rays = order();
  return section(
    phrase('page.heading_order'),
    h(
      'ol',
      { class: 'order', 'data-test': 'order' },
      rays.map((n, i) =>
        h(
          'li',
          { key: `o${n}`, class: n === app.ray ? 'chosen' : '' },
          button(
            capital(ordinal(n)),
            () => {
              selectRay(n);
              set({ played: i + 1 });
            },
            { class: 'quiet', title: phrase('page.show_foot_once_back', { n: rayName(n) }) },
          ),
          rayNow(n)?.by_hand ? h('span', { class: 'small' }, phrase('page.hand_3')) : null,
        ),
      ),
    ),
  );
}

function manoeuvre(): JSX.Element {
  // While a ray is in hand its manoeuvre is not worked out: the last one stands until it is let go.
  const lines = rayNow(app.ray)?.manoeuvre ?? [];
  return section(
    phrase('page.heading_manoeuvre', { ray: capital(rayName(app.ray)) }),
    lines.length ? h('ol', { class: 'manoeuvre' }, lines.map((m) => h('li', null, capital(m)))) : h('p', null, phrase('page.nothing_do_lies_where_belongs_could')),
  );
}

function fit(): JSX.Element | null {
  const r = rayNow(app.ray);
  if (!r?.joint) return null;
  const j = r.joint;
  const trial = !!app.trial?.rays.some((x) => x.ray === app.ray);
  const overlap = r.overlaps;
  return h(
    'div',
    { 'aria-live': 'polite', 'data-test': 'fit', class: trial ? 'fit trial' : 'fit' },
    h('div', null, h('span', null, phrase('page.gap')), h('b', null, mm(j.gap_mm))),
    h('div', null, h('span', null, phrase('page.step')), h('b', null, mm(j.step_mm))),
    h('div', { class: overlap ? 'alarm' : '' }, h('span', null, overlap ? phrase('page.overlap_alarm') : phrase('page.overlap')), h('b', null, mm(j.overlap_mm))),
    h('div', null, h('span', null, phrase('page.contact')), h('b', null, phrase('unit.mm2', { n: num(j.contact_mm2, 0) }))),
  );
}

function freedom(f: (typeof kFreedoms)[number]): JSX.Element {
  const amount = f.turn ? step.deg : step.mm;
  const go = (sign: number): void => {
    if (app.played < order().length) showFoot('reduced');
    stepRay(app.ray, f.id as Freedom, sign * amount);
  };
  const amountWords = phrase(f.turn ? 'unit.deg' : 'unit.mm', { n: num(amount, amount % 1 ? 1 : 0) });
  return h(
    'div',
    { class: 'freedom', key: f.id },
    button(h('span', null, '− ', wayName(f.minus)), () => go(-1), { test: `move-${f.minus}`, title: `${amountWords} ${wayName(f.minus)}` }),
    button(h('span', null, wayName(f.plus), ' +'), () => go(1), { test: `move-${f.plus}`, title: `${amountWords} ${wayName(f.plus)}` }),
  );
}

function byHand(): JSX.Element | null {
  const r = rayNow(app.ray);
  if (!r?.transform || app.readOnly) return null;
  return section(
    phrase('page.move_hand'),
    fit(),
    h(
      'div',
      { class: 'row' },
      choice(phrase('page.step_choice'), [
        { id: '0.2', name: mm(0.2, 1) },
        { id: '0.5', name: mm(0.5, 1) },
        { id: '1', name: mm(1, 0) },
      ], String(step.mm), (s) => ((step.mm = Number(s)), (step.deg = Number(s) * 2), changed()), 'step'),
      h('span', { class: 'small' }, phrase('page.turns', { step: step.deg })),
    ),
    h('div', { class: 'freedoms' }, kFreedoms.map(freedom)),
    h('p', { class: 'hint' }, phrase('page.choose_move_ray_turn_ray_above', { ray: app.ray })),
    button(phrase('page.back_plans_place'), () => void edit('ray.reset', { ray: app.ray }), { test: 'ray-reset', disabled: !r.by_hand }),
  );
}

export function reduction(): (JSX.Element | null)[] {
  const plan = app.state?.plan;
  if (!plan) return [work(), notPlanned()];
  const r = rayNow(app.ray);
  return [
    work(),
    leftOut(),
    orderList(),
    manoeuvre(),
    r?.by_hand ? h('p', { class: 'small', key: 'sure' }, phrase('page.placed_hand_how_sure_not_computed')) : r?.uncertainty ? h('p', { class: 'small', key: 'sure' }, phrase('page.placed_within_95', { uncertainty: mm(r.uncertainty.mm), uncertainty_2: deg(r.uncertainty.deg, 1) })) : null,
    byHand(),
    cautions(phrase('page.where_harm_possible'), plan.standing_cautions),
    measureTable(plan.measures_reduced, phrase('page.measures_once_reduced'), 'measures-reduced'),
    drawn(),
  ];
}
