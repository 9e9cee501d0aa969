// Figures and dates as they are written for a surgeon.
import assert from 'node:assert/strict';
import { afterEach, test } from 'node:test';
import { bytes, capital, checkRows, day, deg, deviceMark, fate, longDay, mm, num, pattern, person, rayName, sense, shiftWords, sourceOf, stateMark, textOf, today } from '../src/words.ts';
import { all } from './tree.mjs';

const kZone = process.env.TZ;
afterEach(() => {
  if (kZone === undefined) delete process.env.TZ;
  else process.env.TZ = kZone;
});

test('numbers', () => {
  assert.equal(mm(2.345), '2.3 mm');
  assert.equal(mm(44, 0), '44 mm');
  assert.equal(num(-1.26), '-1.3');
  assert.equal(num(-0.04), '0.0', 'no minus before nothing');
  assert.equal(deg(12.6), '13°');
  for (const none of [null, undefined, NaN, Infinity]) assert.deepEqual([mm(none), num(none), deg(none)], ['–', '–', '–']);
});

test('a sense instead of a sign', () => {
  assert.equal(sense(5.84, 'lateral', 'medial'), '5.8 lateral');
  assert.equal(sense(-5.84, 'lateral', 'medial'), '5.8 medial');
  assert.equal(sense(0.04, 'lateral', 'medial'), '0 lateral/medial');
  assert.equal(sense(-0.4, 'abd', 'add', 0), '0 abd/add');
  assert.equal(sense(null, 'lateral', 'medial'), '–');
});

test('a shift in words', () => {
  assert.deepEqual(shiftWords({ lateral: 6.13, dorsal: -3.9, distal: -0.04 }), ['6.1 lateral', '3.9 plantar', '0 distal/proximal']);
});

test('names', () => {
  assert.equal(rayName(4), 'fourth ray');
  assert.equal(capital('fourth ray'), 'Fourth ray');
  assert.equal(capital(''), '');
  assert.equal(person('DOE^JANE^^'), 'DOE, JANE');
  assert.equal(person(''), '–');
});

test('a size in the unit that fits', () => {
  assert.equal(bytes(1023), '1023 B');
  assert.equal(bytes(1024), '1 kB');
  assert.equal(bytes(1536 * 1024), '1.5 MB');
});

test('a day is the same day wherever the workstation stands', () => {
  for (const zone of ['UTC', 'America/Los_Angeles', 'Pacific/Auckland']) {
    process.env.TZ = zone;
    assert.equal(day('2026-01-05'), '5 Jan 2026', zone);
    assert.equal(day('20260105'), '5 Jan 2026', zone);
    assert.match(longDay('2026-01-05'), /^Monday,? 5 January 2026$/, zone);
  }
  assert.equal(day(''), '–');
  assert.equal(day('in spring'), 'in spring');
});

test('today is the day on the wall', () => {
  const late = new Date('2026-01-05T23:30:00Z');
  process.env.TZ = 'America/Los_Angeles';
  assert.equal(today(late), '2026-01-05');
  process.env.TZ = 'Pacific/Auckland';
  assert.equal(today(late), '2026-01-06');
});

test('what remains of a device', () => {
  assert.equal(fate({ fate: 'stays' }), 'stays');
  assert.equal(fate({ fate: 'later' }), 'comes out later');
  assert.equal(fate({ fate: 'temporary' }), 'temporary');
});

test('every state and every kind of device has a mark of its own', () => {
  const shape = (mark) => JSON.stringify([...all(mark)].map((e) => [e.type, e.props?.d, e.props?.['stroke-dasharray']]));
  const states = ['displaced', 'in place', 'cannot be told', 'not judged'].map((s) => shape(stateMark(s)));
  assert.equal(new Set(states).size, 4);
  const devices = [
    { kind: 'screw', fate: 'stays' },
    { kind: 'wire', fate: 'later' },
    { kind: 'wire', fate: 'temporary' },
  ].map((d) => shape(deviceMark(d)));
  assert.equal(new Set(devices).size, 3);
});

test('a caution has its text and its source, a text alone none', () => {
  assert.equal(textOf({ text: 'a text', source: 'Author 2020' }), 'a text');
  assert.equal(textOf('a text alone'), 'a text alone');
  assert.equal(sourceOf('a text alone'), '');
  assert.equal(sourceOf({ text: 'a text', source: 'Author 2020' }), 'Author 2020');
});

test('checks of a device: those that have a number, and the bones it enters besides', () => {
  assert.deepEqual(checkRows({ mean_hu: null, cortex_margin_mm: 2.04, inside_fraction: 0.987, other_bones: ['C3', 'Cub'], may_enter: ['M3'] }), [
    ['inside bone', '99 %'],
    ['margin to the cortex', '2.0 mm'],
    ['also enters', 'C3, Cub'],
  ]);
  assert.deepEqual(checkRows({ other_bones: [] }), []);
});

test('names of the pattern', () => {
  assert.equal(pattern({ quenu_kuss: 'homolateral', hardcastle: 'A', myerson: 'A' }), 'Homolateral · Hardcastle A · Myerson A');
  const untold = 'cannot be told';
  assert.equal(pattern({ quenu_kuss: untold, hardcastle: untold, myerson: untold }), 'Pattern cannot be told');
  assert.equal(pattern({ quenu_kuss: untold, hardcastle: 'B', myerson: 'B2' }), 'Quénu and Küss cannot be told · Hardcastle B · Myerson B2');
  assert.equal(pattern(null), '');
});
