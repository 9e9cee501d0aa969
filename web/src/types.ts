// What the server sends (docs/decisions/workstation.md). Points and vectors are in the patient frame (LPS, mm).

export type Vec = [number, number, number];
/** Rows of a 4 x 4. */
export type Mat = number[][];
export type FootState = 'injured' | 'reduced';
export type Place = 'images' | 'injury' | 'reduction' | 'fixation' | 'theatre' | 'followup';

export interface ServerError {
  what: string;
  where?: string;
  remedy?: string;
}

export interface CaseSummary {
  id: string;
  name: string;
  created: string;
  updated: string;
  seq: number;
  summary?: {
    status?: string;
    patient?: string;
    patient_id?: string;
    pattern?: string;
    side?: string;
    notes?: string;
    [key: string]: unknown;
  } | null;
}

export interface Job {
  job: string;
  case: string;
  kind: string;
  stage?: string;
  fraction?: number;
  state: 'running' | 'done' | 'failed' | 'cancelled';
  error?: ServerError | null;
}

export interface HistoryEntry {
  seq: number;
  at: string;
  kind: string;
  words: string;
  active: boolean;
}

export interface Frame {
  origin: Vec;
  distal: Vec;
  medial: Vec;
  dorsal: Vec;
}

export interface Body {
  id: string;
  name: string;
  ray: number | null;
  injured_to_reduced: Mat | null;
  confidence?: number;
  doubt?: string;
  by_hand?: boolean;
}

export interface Shift {
  lateral: number;
  dorsal: number;
  distal: number;
}
export interface Turn {
  abduction: number;
  plantarflexion: number;
  pronation: number;
}
export interface JointFit {
  gap_mm?: number;
  step_mm?: number;
  overlap_mm?: number;
  contact_mm2?: number;
}

export interface Ray {
  ray: number;
  /** In the words in which it is shown. */
  state: 'displaced' | 'in place' | 'cannot be told' | 'not judged';
  shift_mm?: Shift | null;
  turn_deg?: Turn | null;
  words?: string;
  by_hand?: boolean;
  transform?: Mat | null;
  planned_transform?: Mat | null;
  uncertainty?: { mm?: number; deg?: number } | null;
  joint?: JointFit | null;
  manoeuvre?: string[];
  attention?: string[];
}

export interface Device {
  id: string;
  type: string;
  kind: 'screw' | 'wire';
  stage: string;
  ray: number | null;
  through: string[];
  entry: Vec;
  tip: Vec;
  direction: Vec;
  diameter_mm: number;
  length_mm: number;
  measured_depth_mm?: number;
  countersink_mm?: number;
  remarks?: string[];
  name?: string;
  by_hand?: boolean;
  entry_words?: string;
  direction_words?: string;
  head_mm?: number;
  checks: Record<string, unknown> | null; // none where its bones no longer face each other
  margin_wanted_mm?: number;
  ok?: boolean;
  reasons?: string[];
  lengths_mm?: number[];
  measured_mm?: number | null;
}

export interface Implant {
  id: string;
  kind: Device['kind'];
  name: string;
  diameter_mm: number;
  lengths_mm: number[];
}

export interface Measure {
  key: string;
  name: string;
  value: number | null;
  unit: string;
  limit: number | null;
  limit_on?: string;
  limit_is?: string;
  other_side?: number | null;
  difference?: number | null;
  abnormal: boolean | null;
  source?: string;
  certainty?: string;
  note?: string;
  from?: Vec | null;
  to?: Vec | null;
}

export interface Caution {
  text: string;
  source?: string;
}

/** What the plan leaves open, and what would settle it: shown before everything else. */
export interface OpenQuestion {
  ray: number | null;
  bones: string[];
  what: string;
  settle: string;
  remedies: ('other foot' | 'film' | 'place by hand' | 'correct bones')[];
}

export interface ScanFacts {
  patient?: string;
  patient_id?: string;
  study_date?: string;
  series?: string;
  size?: number[];
  spacing_mm?: number[];
  other_foot?: string | null;
  preview?: string | null;
  cautions?: string[];
}

export interface Patterns {
  quenu_kuss?: string;
  hardcastle?: string;
  myerson?: string;
  columns?: string[];
  columns_words?: string;
  reasons?: Record<string, string>;
}

export interface Plan {
  side: 'left' | 'right';
  frame: Frame;
  axis: Record<string, { base: Vec; head: Vec }> | { ray?: number; base: Vec; head: Vec }[];
  bodies: Body[];
  rays: Ray[];
  devices: Device[];
  patterns?: Patterns;
  measures?: Measure[];
  measures_reduced?: Measure[];
  open_questions?: OpenQuestion[];
  cautions?: (string | Caution)[];
  standing_cautions?: (string | Caution)[];
  reduction?: { order?: number[]; method?: string };
  injury?: { flecks?: unknown[] };
  missing?: string[];
  program?: string;
}

export interface TheatreStep {
  id: string;
  title: string;
  lines: string[];
  ray?: number | null;
  device?: string | null;
  instrument?: string | null;
  expected_mm?: number | null;
  view?: { name?: string | null; orbital?: number | null; tilt?: number | null } | null;
  picture?: string | null;
  done: boolean;
}

export interface FollowupItem {
  id: string;
  week_from: number;
  week_to: number;
  title: string;
  text: string;
  source?: string;
  certainty?: string;
  date_from?: string;
  date_to?: string;
  done?: string | boolean | null;
}

export interface FollowupCheck {
  n: number;
  date?: string;
  kind: 'films' | 'ct';
  verdict?: string;
  rays?: CheckRow[];
  devices?: CheckRow[];
  report?: string;
  measures?: Measure[];
  /** Against the check before. */
  since?: { date: string; rays: CheckRow[]; devices: CheckRow[] };
  cautions?: string[];
  films?: RealFilm[];
  [key: string]: unknown;
}
export interface RealFilm {
  id: string;
  name: string;
  view: string | null;
  date: string | null;
  side: 'left' | 'right' | null;
  cautions: string[];
  /** Number of the check after the operation it belongs to. */
  after?: number;
}
export interface CheckRow {
  ray?: number;
  id?: string;
  verdict?: string;
  words?: string;
  [key: string]: unknown;
}

export interface DrawnMeasure {
  id: string;
  view: string;
  kind: 'distance' | 'angle';
  points: Vec[];
  state?: string;
}

export interface Upload {
  name: string;
  bytes: number;
}
export type Part = 'images' | 'other' | 'films' | 'followup';

export interface CaseState {
  id: string;
  name: string;
  notes: string;
  created: string;
  updated: string;
  seq: number;
  hidden: boolean;
  status: 'empty' | 'imported' | 'planned';
  stale: boolean;
  can_undo: string | null;
  can_redo: string | null;
  history: HistoryEntry[];
  job: Job | null;
  uploads: Partial<Record<Part, Upload[]>>;
  images: ScanFacts | null;
  /** Real films taken before the operation. */
  films?: RealFilm[];
  edits: Record<string, unknown> | null;
  plan: Plan | null;
  theatre: { steps: TheatreStep[]; instruments: string[] } | null;
  followup: { surgery_date: string | null; plan: FollowupItem[]; checks: FollowupCheck[] } | null;
  measures_drawn: DrawnMeasure[];
  /** Of the catalogue. */
  implants?: Implant[];
  /** Why a plan that should be there could not be opened. */
  problem?: ServerError;
}

export interface TryResult {
  devices?: Device[];
  rays?: Ray[];
}

export interface SliceHead {
  width: number;
  height: number;
  mm_per_pixel: number;
  origin: Vec;
  right: Vec;
  down: Vec;
  normal: Vec;
  outlines: { body: string; lines: [number, number][][] }[];
  left?: string;
  right_word?: string;
  top?: string;
  bottom?: string;
  has_margin?: boolean;
  margin_mm?: number | null;
  margin_at?: [number, number] | null;
}
export interface Slice extends SliceHead {
  hu: Int16Array;
}

export interface ExportItem {
  name: string;
  what: string;
  path: string;
  bytes: number;
}
