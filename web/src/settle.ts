// What the plan leaves open, before everything else: the sentence, what would settle it, and the way there.
import { h, type JSX } from 'preact';
import { goesBack } from './foot';
import { identity } from './math';
import { app, changed, edit, go, selectRay } from './store';
import type { OpenQuestion, Place } from './types';
import { button } from './widgets';
import { capital, rayName, stateMark } from './words';
import { phrase } from './phrases';

/** What was folded: another case, or another question in this one, opens unfolded. */
let foldedAt = '';

const keyOf = (list: OpenQuestion[]): string => JSON.stringify([app.state?.id, list.map((q) => q.what)]);

/** To a place, with the control for what is to be done there in sight and ready. */
function goTo(place: Place, test: string): void {
  go(place);
  requestAnimationFrame(() =>
    requestAnimationFrame(() => {
      const control = document.querySelector<HTMLElement>(`[data-test="${test}"]`);
      control?.scrollIntoView({ block: 'center' });
      control?.focus({ preventScroll: true });
    }),
  );
}

function ways(q: OpenQuestion): JSX.Element[] {
  const key = `${q.ray ?? 'bones'}`;
  const out: JSX.Element[] = [];
  const way = (words: string, test: string, act: () => void): void => void out.push(button(words, act, { test: `settle-${test}-${key}`, key: test }));
  for (const r of q.remedies) {
    if (r === 'other foot') way(phrase('page.give_other_foot'), 'other', () => goTo('images', 'pick-other'));
    if (r === 'film') way(phrase('page.add_film'), 'film', () => goTo('images', 'pick-films-before'));
    if (r === 'correct bones') way(phrase('page.correct_bones'), 'bones', () => goTo('images', 'correct-seed'));
    if (r !== 'place by hand' || !q.ray) continue;
    const ray = q.ray;
    const planned = app.state?.plan?.rays.find((x) => x.ray === ray);
    way(phrase('page.place'), 'in-place', () => void edit('ray.move', { ray, transform: identity() }));
    if (planned?.transform && goesBack(planned)) way(phrase('page.displaced_planned'), 'as-planned', () => void edit('ray.move', { ray, transform: planned.transform }));
    way(phrase('page.place_hand'), 'by-hand', () => {
      selectRay(ray);
      goTo('reduction', 'move-lateral');
    });
  }
  return out;
}

const brief = (q: OpenQuestion): string => (q.ray ? phrase('page.cannot_told', { ray: rayName(q.ray) }) : phrase('page.may_wrong', { bones: q.bones.join(', ') }));

const mark = (q: OpenQuestion): JSX.Element => (q.ray ? stateMark('cannot be told') : h('span', { class: 'alarm', 'aria-hidden': 'true' }, '▲ '));

/** In theatre nothing is settled any more: there it is said only. */
export function settle(): JSX.Element | null {
  const list = app.state?.plan?.open_questions ?? [];
  if (!list.length) return null;
  const theatre = app.place === 'theatre';
  const folded = foldedAt === keyOf(list);
  return h(
    'section',
    { class: 'settle', key: 'settle', 'aria-labelledby': 'settle-title', 'data-test': 'settle' },
    h(
      'div',
      { class: 'title' },
      h('h2', { id: 'settle-title' }, phrase('page.settle_first_2')),
      folded && !theatre ? h('span', { class: 'brief' }, capital(list.map(brief).join(' · '))) : null,
      theatre
        ? null
        : h(
            'button',
            {
              class: 'quiet',
              type: 'button',
              'aria-expanded': String(!folded),
              'aria-controls': 'settle-list',
              'data-test': 'settle-fold',
              onClick: () => {
                foldedAt = folded ? '' : keyOf(list);
                changed();
              },
            },
            folded ? phrase('page.show') : phrase('page.fold'),
          ),
    ),
    h(
      'ul',
      { id: 'settle-list', hidden: folded && !theatre },
      list.map((q) =>
        h(
          'li',
          { key: `q${q.ray ?? 'bones'}`, 'data-test': `settle-${q.ray ?? 'bones'}` },
          h('p', null, mark(q), h('b', null, q.what), ' ', q.settle),
          theatre || app.readOnly ? null : h('div', { class: 'ways' }, ways(q)),
        ),
      ),
    ),
  );
}
