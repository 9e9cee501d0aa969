// The ray board: the order of its columns, arrows to scale and to the right side, what comes first where room is short.
import assert from 'node:assert/strict';
import { beforeEach, test } from 'node:test';
import { board, boardLine } from '../src/board.ts';
import { app } from '../src/store.ts';
import { device, planned, ray } from './state.mjs';
import { all, find, ofType, textOf } from './tree.mjs';

beforeEach(() => Object.assign(app, { state: null, trial: null, ray: 2, device: null }));

const kDisplaced = { state: 'displaced', shift_mm: { lateral: 4, dorsal: 2, distal: -1 }, turn_deg: { abduction: 0, plantarflexion: 0, pronation: 0 } };
const show = (side, second, plan = {}) => (app.state = planned({ side, plan: { rays: [1, 2, 3, 4, 5].map((n) => ray(n, n === 2 ? second : {})), ...plan } }));
const column = (n) => find(board(), `ray-${n}`);

/** From where the base belongs to where it is, to the right and down, in the drawings from dorsal and from the side. */
function arrows(n) {
  return ofType(column(n), 'svg')
    .filter((s) => s.props.class === 'inset')
    .map((s) => {
      const ring = ofType(s, 'circle')[0].props;
      const mark = ofType(s, 'path').find((p) => p.props.fill === 'var(--found)').props.d; // a triangle, its tip 4 x 1.15 above its place
      const [, x, y] = /^M(\S+) (\S+?)L[^L]+L[^L]+Z$/.exec(mark);
      return [Number(x) - ring.cx, Number(y) + 4.6 - ring.cy].map((v) => Number(v.toFixed(6)));
    });
}

test('without a plan there is no board', () => {
  assert.equal(board(), null);
  assert.equal(boardLine(), null);
});

test('columns and ends as the surgeon sees the foot', () => {
  const seen = () => [...all(board())].filter((e) => e?.props?.role === 'option').map((e) => e.props['data-ray']);
  const ends = () => ofType(board(), 'span').map(textOf).filter((s) => /^(MEDIAL|LATERAL)$/.test(s));
  show('right', {});
  assert.deepEqual([seen(), ends()], [[1, 2, 3, 4, 5], ['MEDIAL', 'LATERAL']]);
  show('left', {});
  assert.deepEqual([seen(), ends()], [[5, 4, 3, 2, 1], ['LATERAL', 'MEDIAL']]);
});

test('the arrow of a displaced base points where it went, to the scale of the board', () => {
  // 5 points a millimetre, as long as nothing is further than 26 / 5 mm: 4 mm lateral are 20 points.
  show('right', kDisplaced);
  assert.deepEqual(arrows(2), [[20, 5], [5, -10]], 'lateral to the right, proximal down; from the side: toes to the left, so proximal to the right, dorsal up');
  show('left', kDisplaced);
  assert.deepEqual(arrows(2), [[-20, 5], [-5, -10]]);
  // 13 mm make it 2 points a millimetre, for every ray.
  show('right', { ...kDisplaced, shift_mm: { lateral: 13, dorsal: 2, distal: -1 } });
  assert.deepEqual(arrows(2), [[26, 2], [2, -4]]);
});

test('the numbers are told in words', () => {
  show('right', kDisplaced);
  const words = textOf(column(2));
  for (const part of ['4.0 lat', '2.0 dors', '1.0 prox', 'displaced', 'M2–C2', 'goes back, gap 1.0 mm']) assert.ok(words.includes(part), `"${part}" in "${words}"`);
  show('right', { state: 'not judged', shift_mm: null, turn_deg: null, transform: null, planned_transform: null, uncertainty: null, joint: null });
  const none = textOf(column(2));
  assert.match(none, /not measured/);
  assert.match(none, /not placed/);
  assert.match(none, /\?/);
});

test('what fails comes first', () => {
  const devices = [device('S1', 2), device('W9', 2, { kind: 'wire', ok: false, reasons: ['Comes within 0.4 mm of the cortex', 'and more'] }), device('S3', 3)];
  show('right', { attention: ['Placed by hand', 'S8: no such thing'] }, { devices });
  const attention = [...all(column(2))].find((e) => e?.props?.class === 'attention').props.title;
  assert.equal(attention, 'W9: Comes within 0.4 mm of the cortex · Placed by hand · S8: no such thing');
  assert.match(textOf(column(1)), /nothing to attend to/);
  // A reason that the server has told already is not told twice, but first.
  show('right', { attention: ['Placed by hand', 'W9: comes too near'] }, { devices });
  assert.equal([...all(column(2))].find((e) => e?.props?.class === 'attention').props.title, 'W9: comes too near · Placed by hand');
});

test('devices: what fails, then what stays, then what is temporary, each with its length', () => {
  const devices = [
    device('T1', 2, { kind: 'wire', stage: 'temporary', length_mm: 60 }),
    device('S2', 2, { ok: false, reasons: ['x'], length_mm: 34 }),
    device('S1', 2, { length_mm: 44 }),
  ];
  show('right', {}, { devices });
  const row = [...all(column(2))].filter((e) => e?.props?.class?.startsWith?.('device ')).map((e) => textOf(e).trim());
  assert.deepEqual(row, ['S2 34 ▲', 'S1 44 mm', 'T1 60']);
  assert.match(textOf(column(3)), /no device/);
});

test('one column can be reached by Tab: the chosen one', () => {
  show('right', {});
  const tabs = [1, 2, 3, 4, 5].map((n) => [column(n).props.tabindex, column(n).props['aria-selected']]);
  assert.deepEqual(tabs, [[-1, 'false'], [0, 'true'], [-1, 'false'], [-1, 'false'], [-1, 'false']]);
});

test('the line of the theatre leaves temporary wires out', () => {
  show('right', kDisplaced, { devices: [device('T1', 2, { stage: 'temporary' }), device('S2', 2, { length_mm: 40 })] });
  assert.equal(textOf(find(boardLine(), 'ray-2')), '2displacedS2 40');
});
