// The ray board: five columns, one a ray, in the order in which the surgeon sees them.
import { h, type JSX } from 'preact';
import { app, boardOrder, devicesNow, rayNow, selectRay } from './store';
import { kArrow, kBelongsRadius, kBoardLeastMm, kBoardSense, kDisplacedMark, kInPlaceRadius, kPartner, kUntoldMark } from './facts';
import type { Ray } from './types';
import { goesBack } from './foot';
import { deviceMark, keyName, mm, num, sense, shiftWords, stateMark, turnSense, wayName } from './words';
import { phrase } from './phrases';

const kInk = '#23272C';
const kMarks = 1.15; // as large as in the report

const outline = (corners: readonly (readonly [number, number])[], x: number, y: number): string =>
  `${corners.map(([right, up], n) => `${n ? 'L' : 'M'}${x + kMarks * right} ${y - kMarks * up}`).join('')}Z`;

interface Inset {
  width: number;
  height: number;
  /** Where the base belongs. */
  x: number;
  y: number;
  scale: number;
  words: [string, number, number, 'start' | 'middle' | 'end'][];
  label: string;
}

// The ring is where the base belongs, the mark where it is; the arrow between them is to scale. The sticks are the
// shafts, turned as they are (their length is not to scale).
function inset(i: Inset, r: Ray, move: [number, number], belongs: [number, number], found: [number, number]): JSX.Element {
  const words = i.words.map(([t, x, y, anchor]) => h('text', { x, y, 'text-anchor': anchor, class: 'tiny' }, t));
  if (r.state === 'not judged' || !r.shift_mm)
    return h(
      'svg',
      { class: 'inset', viewBox: `0 0 ${i.width} ${i.height}`, role: 'img', 'aria-label': phrase('page.not_judged', { label: i.label }) },
      h('text', { x: i.width / 2, y: i.height / 2 + 8, 'text-anchor': 'middle', class: 'query' }, '?'),
      words,
    );
  const stick = 0.52 * Math.min(i.width, i.height);
  const fx = i.x + i.scale * move[0];
  const fy = i.y - i.scale * move[1];
  const length = Math.hypot(fx - i.x, fy - i.y);
  const displaced = r.state === 'displaced';
  const colour = displaced ? 'var(--found)' : '#6b727b';
  const ux = length ? (fx - i.x) / length : 0;
  const uy = length ? (fy - i.y) / length : 0;
  const head = Math.min(kMarks * kArrow.head, kArrow.headShare * length);
  const half = kArrow.headHalfWidth * head;
  const shaft = kArrow.shaftInHead * head;
  return h(
    'svg',
    { class: 'inset', viewBox: `0 0 ${i.width} ${i.height}`, role: 'img', 'aria-label': i.label },
    words,
    h('path', {
      d: `M${i.x} ${i.y}l${stick * belongs[0]} ${-stick * belongs[1]}`,
      stroke: 'var(--place)',
      'stroke-width': 2,
      'stroke-dasharray': '4 3',
      fill: 'none',
    }),
    h('circle', { cx: i.x, cy: i.y, r: kMarks * kBelongsRadius, fill: 'none', stroke: 'var(--place)', 'stroke-width': 1.6 }),
    h('path', { d: `M${fx} ${fy}l${stick * found[0]} ${-stick * found[1]}`, stroke: colour, 'stroke-width': 3, fill: 'none' }),
    displaced
      ? h('path', { d: outline(kDisplacedMark, fx, fy), fill: 'var(--found)', stroke: '#7a5200', 'stroke-width': 0.7 })
      : r.state === 'cannot be told'
        ? h('path', { d: outline(kUntoldMark, fx, fy), fill: '#fff', stroke: kInk, 'stroke-width': 1.4 })
        : h('circle', { cx: fx, cy: fy, r: kMarks * kInPlaceRadius, fill: colour }),
    length > 1.5 &&
      h('path', {
        d: `M${i.x} ${i.y}L${fx - shaft * ux} ${fy - shaft * uy}`,
        stroke: kInk,
        'stroke-width': 1.4,
        fill: 'none',
      }),
    length > 1.5 &&
      h('path', {
        d: `M${fx} ${fy}L${fx - head * ux + half * uy} ${fy - head * uy - half * ux}L${fx - head * ux - half * uy} ${fy - head * uy + half * ux}Z`,
        fill: kInk,
      }),
  );
}

function drawings(r: Ray, left: boolean, scale: number): JSX.Element {
  const s = r.shift_mm ?? { lateral: 0, dorsal: 0, distal: 0 };
  const [aside, height, along] = shiftWords(s);
  const t = r.turn_deg ?? { abduction: 0, plantarflexion: 0, pronation: 0 };
  const rad = Math.PI / 180;
  const { lateral, distal } = kBoardSense[left ? 'left' : 'right'];
  const a = t.abduction * rad;
  const p = t.plantarflexion * rad;
  const top = inset(
    {
      width: 62,
      height: 68,
      x: 31 - (scale * lateral * s.lateral) / 2,
      y: 50 + Math.max(-8, Math.min(8, (scale * s.distal) / 2)),
      scale,
      // On the side to which the shaft does not lean.
      words: [lateral * (s.lateral + t.abduction) > 0 ? [wayName('distal'), 3, 10, 'start'] : [wayName('distal'), 59, 10, 'end']],
      label: phrase('page.dorsal_millimetres', { aside, along }),
    },
    r,
    [lateral * s.lateral, s.distal],
    [0, 1],
    [lateral * Math.sin(a), Math.cos(a)],
  );
  const side = inset(
    {
      width: 62,
      height: 68,
      x: left ? 20 : 42,
      y: 40 + (scale * s.dorsal) / 2,
      scale,
      words: [
        [wayName('dorsal'), 31, 10, 'middle'],
        [wayName('distal'), left ? 59 : 3, 64, left ? 'end' : 'start'],
      ],
      label: phrase('page.medial_side_millimetres', { height }),
    },
    r,
    [distal * s.distal, s.dorsal],
    [distal, 0],
    [distal * Math.cos(p), -Math.sin(p)],
  );
  return h('span', { class: 'insets' }, top, side);
}

function reductionLine(r: Ray): JSX.Element {
  const planned = r.joint;
  const words = r.by_hand ? phrase('page.put_back_hand') : r.transform ? (goesBack(r) ? phrase('page.goes_back') : phrase('page.ray_stays')) : phrase('page.not_placed');
  return h(
    'span',
    { class: 'reduction' },
    h('b', null, words),
    planned ? phrase('page.gap_mm', { gap: num(planned.gap_mm) }) : '',
  );
}

function column(r: Ray, scale: number, left: boolean): JSX.Element {
  const { ray } = r;
  const devices = devicesNow()
    .filter((d) => d.ray === ray)
    .sort((a, b) => Number(a.ok !== false) - Number(b.ok !== false) || Number(a.stage === 'temporary') - Number(b.stage === 'temporary'));
  // What fails comes first: the room is short.
  const fails = (words: string): boolean => devices.some((d) => d.ok === false && words.startsWith(`${d.id}:`));
  const said = [...r.attention].sort((a, b) => Number(fails(b)) - Number(fails(a)));
  const failing = devices.filter((d) => d.ok === false && !said.some((a) => a.startsWith(`${d.id}:`)));
  const attention = [...failing.map((d) => `${d.id}: ${d.reasons[0] ?? phrase('page.check_fails')}`), ...said];
  const s = r.shift_mm;
  const t = r.turn_deg;
  const chosen = app.ray === ray;
  const attentionWords = attention.join(' · ');
  return h(
    'button',
    {
      key: `ray${ray}`,
      type: 'button',
      role: 'option',
      class: `column ${r.state.replaceAll(' ', '-')}${chosen ? ' chosen' : ''}`,
      'aria-selected': chosen ? 'true' : 'false',
      tabindex: chosen ? 0 : -1,
      'data-test': `ray-${ray}`,
      'data-ray': ray,
      onClick: () => selectRay(ray),
    },
    h(
      'span',
      { class: 'head' },
      h('span', { class: 'number' }, String(ray)),
      h('span', { class: 'bones' }, `M${ray}–${kPartner[ray]}`),
      h('span', { class: 'state' }, stateMark(r.state), keyName(r.state)),
    ),
    h(
      'span',
      { class: 'figure' },
      drawings(r, left, scale),
      h(
        'span',
        { class: 'numbers' },
        s && r.state !== 'not judged'
          ? [
              h('span', null, sense(s.lateral, phrase('page.short_lateral'), phrase('page.short_medial'))),
              h('span', null, sense(s.dorsal, phrase('page.short_dorsal'), phrase('page.short_plantar'))),
              h('span', null, sense(s.distal, phrase('page.short_distal'), phrase('page.short_proximal'))),
              h('span', { class: 'turn' }, t ? turnSense(t.abduction, phrase('page.short_abduction'), phrase('page.short_adduction')) : ''),
            ]
          : h('span', null, phrase('page.not_measured')),
      ),
    ),
    reductionLine(r),
    h(
      'span',
      { class: 'devices' },
      devices.length
        ? devices.map((d) =>
            h(
              'span',
              { key: d.id, class: `device ${d.kind}${d.ok === false ? ' failing' : ''}${d.id === app.device ? ' chosen' : ''}` },
              deviceMark(d),
              ` ${d.id} `,
              h('b', null, d.length_mm.toFixed(0)),
              d.stage === 'temporary' || d.ok === false ? '' : ' mm',
              d.ok === false ? ' ▲' : '',
            ),
          )
        : phrase('page.no_device'),
    ),
    h(
      'span',
      { class: 'attention', title: attentionWords },
      attention.length ? [h('span', { class: 'flag', 'aria-hidden': 'true' }, '▲ '), attentionWords] : h('span', { class: 'calm' }, phrase('page.nothing_attend')),
    ),
  );
}

function steer(event: KeyboardEvent): void {
  const step = event.key === 'ArrowRight' ? 1 : event.key === 'ArrowLeft' ? -1 : 0;
  if (!step) return;
  event.preventDefault();
  event.stopPropagation();
  const shown = boardOrder();
  const next = shown[shown.indexOf(app.ray) + step];
  if (!next) return;
  selectRay(next);
  const board = event.currentTarget as HTMLElement;
  queueMicrotask(() => queueMicrotask(() => board.querySelector<HTMLElement>(`[data-ray="${next}"]`)?.focus()));
}

/** Points of the drawing a millimetre, one scale for the whole board. */
function boardScale(): number {
  let most = kBoardLeastMm;
  for (const r of app.state?.plan?.rays ?? [])
    if (r.shift_mm) most = Math.max(most, Math.abs(r.shift_mm.lateral), Math.abs(r.shift_mm.dorsal), Math.abs(r.shift_mm.distal));
  return Math.min(5, 26 / most);
}

export function board(): JSX.Element | null {
  const plan = app.state?.plan;
  if (!plan) return null;
  const left = plan.side === 'left';
  const scale = boardScale();
  return h(
    'section',
    { class: 'board', 'aria-label': phrase('page.ray_board'), 'data-test': 'board' },
    h(
      'div',
      { class: 'ends', 'aria-hidden': 'true' },
      h('span', null, phrase(left ? 'page.end_lateral' : 'page.end_medial')),
      h(
        'span',
        { class: 'scale' },
        phrase('page.foot_head_table', { side: phrase(`side.${plan.side}`) }),
        h('svg', { width: 5 * scale + 2, height: 8, viewBox: `0 0 ${5 * scale + 2} 8` }, h('path', { d: `M1 1v6M1 4h${5 * scale}M${5 * scale + 1} 1v6`, stroke: 'var(--stay)', fill: 'none' })),
        ` ${mm(5, 0)}`,
      ),
      h('span', null, phrase(left ? 'page.end_medial' : 'page.end_lateral')),
    ),
    h('div', { class: 'columns', role: 'listbox', 'aria-label': phrase('page.rays'), 'aria-orientation': 'horizontal', onKeyDown: steer }, boardOrder().map((ray) => rayNow(ray)).map((r) => r && column(r, scale, left))),
  );
}

/** One line, for the theatre. */
export function boardLine(): JSX.Element | null {
  const plan = app.state?.plan;
  if (!plan) return null;
  const left = plan.side === 'left';
  return h(
    'section',
    { class: 'board-line', 'aria-label': phrase('page.ray_board'), 'data-test': 'board' },
    h('span', { class: 'end' }, phrase(left ? 'page.end_lateral' : 'page.end_medial')),
    boardOrder().map((ray) => {
      const r = rayNow(ray);
      const devices = devicesNow().filter((d) => d.ray === ray && d.stage !== 'temporary');
      return h(
        'button',
        {
          type: 'button',
          key: `line${ray}`,
          class: app.ray === ray ? 'chosen' : '',
          'aria-pressed': app.ray === ray ? 'true' : 'false',
          'data-test': `ray-${ray}`,
          onClick: () => selectRay(ray),
        },
        h('b', null, String(ray)),
        stateMark(r?.state ?? 'not judged'),
        h('span', null, keyName(r?.state ?? 'not judged')),
        h('span', { class: 'lengths' }, devices.map((d) => `${d.ok === false ? '▲ ' : ''}${d.id} ${d.length_mm.toFixed(0)}`).join(' · ')),
      );
    }),
    h('span', { class: 'end' }, phrase(left ? 'page.end_medial' : 'page.end_lateral')),
  );
}
