// What the places say of a state as the engine writes it.
import assert from 'node:assert/strict';
import { beforeEach, test } from 'node:test';
import { fixation } from '../src/places/fixation.ts';
import { followup } from '../src/places/followup.ts';
import { images } from '../src/places/images.ts';
import { injury } from '../src/places/injury.ts';
import { reduction } from '../src/places/reduction.ts';
import { app, set } from '../src/store.ts';
import { device, measure, planned, ray } from './state.mjs';
import { find, ofType, textOf } from './tree.mjs';

beforeEach(() => {
  globalThis.fetch = async () => new Response('[]'); // what can be exported: nothing yet
  set({ state: null, trial: null, ray: 2, device: null });
});

const kOther = measure('c1_m2_distance', { name: 'C1 to M2', value: 6, limit: 3, limit_on: 'side difference', other_side: 2.5, difference: 3.5, abnormal: true });
const kOwn = measure('dorsal_step_2', { name: 'Dorsal step', value: 1, limit: 2, abnormal: false });

test('bones that were not found are told by their names', () => {
  app.state = planned({ plan: { missing: [{ id: 'Nav', confidence: 0, doubts: ['not found'] }, { id: 'C3', confidence: 0, doubts: ['not found'] }] } });
  assert.match(textOf(images()), /Not found: Nav, C3\./);
  app.state = planned();
  assert.doesNotMatch(textOf(images()), /Not found/);
});

test('a limit says whether it is on the measure itself or on its difference from the other foot', () => {
  app.state = planned({ plan: { measures: [kOther, kOwn, measure('plain')] } });
  const limits = ofType(find(injury(), 'measures'), 'tr').slice(1).map((tr) => textOf(ofType(tr, 'td')[3]));
  assert.deepEqual(limits, ['side difference ≤ 3 mm', '≤ 2 mm', 'no limit'], 'the abnormal one first');
});

test('the course of a measure is held against limits on its own value only', () => {
  const check = (values) => ({ n: 1, date: '2026-02-02', kind: 'ct', verdict: 'anatomical', sure: true, rays: [], devices: [], report: 'followup/1/verification.pdf', measures: values, cautions: [], films: [] });
  const found = [kOther, kOwn].map(({ key, name, unit }) => ({ key, name, unit, value: 1 }));
  app.state = planned({ plan: { measures: [kOther, kOwn], measures_reduced: [kOther, kOwn] }, followup: { surgery_date: null, plan: [], checks: [check(found)] } });
  const drawn = (key) => {
    find(followup(), 'course-of').props.onChange({ target: { value: key } });
    const place = followup();
    return { lines: ofType(find(place, 'course'), 'path').filter((p) => p.props.stroke === 'var(--alarm)').length, words: textOf(place) };
  };
  const own = drawn('dorsal_step_2');
  assert.equal(own.lines, 1);
  assert.match(own.words, /Broken line: the limit\./);
  const other = drawn('c1_m2_distance');
  assert.equal(other.lines, 0, 'no line at 3 mm among values that may well be larger');
  assert.match(other.words, /Limit: side difference ≤ 3 mm\./);
  assert.equal(drawn('shift').lines, 2, '1 and 2 mm');
});

test('a check against the plan is told ray by ray and device by device', () => {
  const checks = [
    {
      n: 1,
      date: '2026-02-02',
      kind: 'films',
      verdict: 'not reduced',
      sure: false,
      rays: [
        { ray: 1, verdict: 'anatomical', sure: true, shift_mm: { total: 0.5, lateral: 0.5, dorsal: 0, distal: 0 }, turn_deg: { total: 1, abduction: 1, plantarflexion: 0, pronation: 0 }, uncertainty: { mm: 0.3, deg: 1 } },
        { ray: 2, verdict: 'not reduced', sure: false, shift_mm: { total: 2.5, lateral: -1.5, dorsal: 2, distal: 0 }, turn_deg: { total: 3.2, abduction: 0, plantarflexion: 3.2, pronation: 0 }, uncertainty: { mm: 0.9, deg: 2 } },
        { ray: 3, verdict: 'not known', sure: true, shift_mm: { total: 9, lateral: 0, dorsal: 0, distal: 0 }, turn_deg: { total: 0, abduction: 0, plantarflexion: 0, pronation: 0 }, uncertainty: { mm: 9, deg: 9 }, in_plane: { mm: 1.5, uncertainty_mm: 0.5 } },
      ],
      devices: [
        { id: 'S1', seen: true, from_plan: { entry_mm: 1, tip_mm: 2, axis_deg: 3 }, warnings: [] },
        { id: 'S2', seen: true, from_plan: { entry_mm: 0, tip_mm: 0, axis_deg: 0 }, warnings: ['it is broken'] },
        { id: 'W1', seen: false, warnings: [] },
      ],
      report: 'followup/1/verification.pdf',
      measures: [],
      since: {
        date: '2026-01-20',
        rays: [{ ray: 2, moved: true, uncertainty: { mm: 0.4, deg: 1 }, words: 'moved 1.2 mm dorsal' }],
        devices: [{ id: 'W1', moved: false, words: 'not seen' }],
      },
      cautions: [],
    },
  ];
  app.state = planned({ followup: { surgery_date: null, plan: [], checks } });
  const rows = ofType(ofType(find(followup(), 'check-1'), 'tbody'), 'tr').map((tr) => ofType(tr, 'td').map(textOf));
  assert.deepEqual(rows, [
    ['● anatomical', '0.5 mm ± 0.3 (0.5 lateral), turned 1.0°', '–'],
    ['▲ not reduced', '2.5 mm ± 0.9 (1.5 medial, 2.0 dorsal), turned 3.2°; not sure: the interval reaches over a limit', '▲ moved 1.2 mm dorsal (± 0.4 mm)'],
    ['? not known', 'in the plane of the film 1.5 mm ± 0.5, turned 0.0°', '–'],
    ['● no warning', 'entry 1.0 mm off, tip 2.0 mm off, axis 3.0° off', '–'],
    ['▲ look', 'entry 0.0 mm off, tip 0.0 mm off, axis 0.0° off, it is broken', '–'],
    ['◆ not seen', 'not seen', 'not seen'],
  ]);
});

test('a ray placed by hand has no uncertainty, rather than one of 0 mm', () => {
  const rays = [1, 2, 3, 4, 5].map((n) => ray(n, n === 2 ? { by_hand: true, uncertainty: { mm: 0, deg: 0, roll_deg: 0 } } : {}));
  app.state = planned({ plan: { rays } });
  const sure = ofType(find(injury(), 'displacement'), 'tr').slice(1).map((tr) => /± [\d.]+ mm/.exec(textOf(tr))?.[0]);
  assert.deepEqual(sure, ['± 0.8 mm', undefined, '± 0.8 mm', '± 0.8 mm', '± 0.8 mm']);
});

test('edits by hand that were left out are told where they were made', () => {
  const cautions = ['The edit 12 (device.set) no longer fits this plan and is left out: there is no device S9 any more.'];
  app.state = planned({ cautions, plan: { devices: [device('S1', 2)] } });
  for (const place of [reduction, fixation]) assert.match(textOf(place()), /no device S9 any more/);
});
