// A planned case as the server tells it, with simple numbers; tests/places.test.mjs holds its shape against the real one's.

/** Seen from dorsal with the toes up the y axis: a right foot's lateral side is at +x, a left one's at -x. */
const kFrames = {
  right: { origin: [0, 0, 0], distal: [0, 1, 0], medial: [-1, 0, 0], dorsal: [0, 0, 1] },
  left: { origin: [0, 0, 0], distal: [0, 1, 0], medial: [1, 0, 0], dorsal: [0, 0, 1] },
};
export const identity = () => [
  [1, 0, 0, 0],
  [0, 1, 0, 0],
  [0, 0, 1, 0],
  [0, 0, 0, 1],
];
export const moved = (x, y, z) => {
  const m = identity();
  [m[0][3], m[1][3], m[2][3]] = [x, y, z];
  return m;
};

/** In place; `values` say what is different. */
export const ray = (n, values = {}) => ({
  ray: n,
  state: 'in place',
  shift_mm: { lateral: 0, dorsal: 0, distal: 0 },
  turn_deg: { abduction: 0, plantarflexion: 0, pronation: 0 },
  words: 'In place',
  by_hand: false,
  transform: identity(),
  planned_transform: identity(),
  uncertainty: { mm: 0.8, deg: 1.5, roll_deg: 1 },
  joint: { gap_mm: 1, step_mm: 0.5, overlap_mm: 0, contact_mm2: 60 },
  overlaps: false,
  manoeuvre: [],
  attention: [],
  ...values,
});
export const device = (id, n, values = {}) => ({
  id,
  type: 'screw-3.5',
  kind: 'screw',
  stage: 'definitive',
  ray: n,
  through: [`M${n}`, `C${n}`],
  entry: [0, 0, 0],
  tip: [0, 30, 0],
  direction: [0, 1, 0],
  diameter_mm: 3.5,
  length_mm: 30,
  measured_depth_mm: 30,
  countersink_mm: 0,
  checks: { inside_fraction: 1, cortex_margin_mm: 2, other_bones: [] },
  warnings: [],
  name: 'cortical screw 3.5 mm',
  by_hand: false,
  entry_words: '',
  direction_words: '',
  head_mm: 6,
  margin_wanted_mm: 1,
  ok: true,
  reasons: [],
  remarks: [],
  lengths_mm: [28, 30, 32],
  measured_mm: null,
  gauge_off: false,
  ...values,
});
export const measure = (key, values = {}) => ({
  key,
  name: key,
  value: 4,
  unit: 'mm',
  limit: null,
  limit_on: 'value',
  limit_is: 'upper',
  other_side: null,
  difference: null,
  abnormal: null,
  source: '',
  certainty: '',
  note: '',
  ...values,
});

export function planned({ side = 'right', plan = {}, ...values } = {}) {
  const numbers = [1, 2, 3, 4, 5];
  return {
    id: 'c1',
    name: 'A case',
    notes: '',
    created: '2026-01-05T08:00:00Z',
    updated: '2026-01-05T08:00:00Z',
    seq: 10,
    hidden: false,
    status: 'planned',
    stale: false,
    can_undo: null,
    can_redo: null,
    history: [{ seq: 5, at: '2026-01-05T08:00:00Z', kind: 'plan', words: 'planned', active: true }],
    job: null,
    uploads: { images: [], other: [], films: [], followup: [] },
    images: {
      patient: 'Jane Doe',
      patient_id: '1',
      study_date: '2026-01-05',
      series: 'Foot (2)',
      series_uid: '1.2.3',
      files: 200,
      size: [512, 512, 200],
      spacing_mm: [0.3, 0.3, 0.6],
      other_foot: null,
      preview: null,
      cautions: [],
    },
    films: [],
    edits: {},
    plan: {
      side,
      frame: kFrames[side],
      axis: Object.fromEntries(numbers.map((n) => [n, { base: [10 * n, 0, 0], head: [10 * n, 60, 0] }])),
      bodies: numbers.map((n) => ({ id: `M${n}`, name: 'metatarsal', ray: n, injured_to_reduced: identity(), confidence: 0.95, doubt: '', by_hand: false })),
      missing: [],
      rays: numbers.map((n) => ray(n)),
      devices: [],
      patterns: {
        quenu_kuss: 'none',
        hardcastle: 'none',
        myerson: 'none',
        columns: [],
        columns_words: 'none',
        reasons: { quenu_kuss: 'No ray is displaced.', hardcastle: 'No ray is displaced.', myerson: 'No ray is displaced.' },
      },
      measures: [],
      measures_reduced: [],
      open_questions: [],
      cautions: [],
      standing_cautions: [],
      reduction: { order: [2, 3], method: 'congruence' },
      ...plan,
    },
    theatre: { steps: [], instruments: [] },
    followup: { surgery_date: null, plan: [], checks: [] },
    measures_drawn: [],
    cautions: [],
    implants: [],
    ...values,
  };
}
