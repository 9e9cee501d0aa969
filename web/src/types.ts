// What the server sends (docs/decisions/workstation.md). Points and vectors are in the patient frame (LPS, mm). What comes
// from plan.json is made by the engine (plan-types.ts).
import type { DeviceChecks, DeviceRecord, Frame, JointFit, Mat, Measure, MissingBone, Patterns as PatternsOfPlan, Vec } from './plan-types';

export type { DeviceChecks, Frame, JointFit, Mat, Measure, MissingBone, Vec } from './plan-types';

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
  hidden: boolean;
  /** Empty until the case was opened for the first time. */
  summary: {
    status?: CaseState['status'];
    stale?: boolean;
    patient?: string | null;
    patient_id?: string | null;
    study_date?: string | null;
    side?: Plan['side'];
    /** After Myerson. */
    pattern?: string;
    /** Verdict of the last check. */
    checked?: string;
    surgery_date?: string | null;
    notes?: string;
  };
}

export interface Job {
  job: string;
  case: string;
  kind: string;
  stage: string;
  fraction: number;
  state: 'running' | 'done' | 'failed' | 'cancelled';
  error?: ServerError;
}

export interface HistoryEntry {
  seq: number;
  at: string;
  kind: string;
  words: string;
  active: boolean;
}

export interface Body {
  id: string;
  name: string;
  ray: number | null;
  injured_to_reduced: Mat | null;
  confidence: number;
  /** In words; empty where there is none. */
  doubt: string;
  by_hand: boolean;
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
/** Figures and poses are null where a bone of the ray was not found. */
export interface Ray {
  ray: number;
  /** In the words in which it is shown. */
  state: 'displaced' | 'in place' | 'cannot be told' | 'not judged';
  shift_mm: Shift | null;
  turn_deg: Turn | null;
  words: string;
  by_hand: boolean;
  transform: Mat | null;
  planned_transform: Mat | null;
  /** 95 %; of the whole turn, and of that about the ray's own axis. Zeros where it was placed by hand: none was computed. */
  uncertainty: { mm: number; deg: number; roll_deg: number } | null;
  joint: JointFit | null;
  manoeuvre: string[];
  attention: string[];
}

/** As in plan.json, and in words. */
export interface Device extends Omit<DeviceRecord, 'checks'> {
  /** Grey values and pull-out null where the images were not read. None where its bones no longer face each other. */
  checks: { [check in keyof DeviceChecks]: DeviceChecks[check] | null } | null;
  name: string;
  by_hand: boolean;
  entry_words: string;
  direction_words: string;
  head_mm: number;
  margin_wanted_mm: number;
  ok: boolean;
  /** Why not, where it is not. */
  reasons: string[];
  remarks: string[];
  /** Of the catalogue; none for a wire. */
  lengths_mm: number[];
  /** What the gauge read. */
  measured_mm: number | null;
}

export interface Implant {
  id: string;
  kind: Device['kind'];
  name: string;
  diameter_mm: number;
  lengths_mm: number[];
}

export interface Caution {
  text: string;
  source: string;
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
  patient: string;
  patient_id: string;
  study_date: string;
  series: string;
  series_uid: string;
  files: number;
  size: Vec;
  spacing_mm: Vec;
  /** "apart" in a folder of its own, "same scan", or null. */
  other_foot: string | null;
  preview: string | null;
  cautions: string[];
}

/** As plan.json has them, with the columns in words. */
export type Patterns = PatternsOfPlan & { columns_words: string };

/** What the page needs of it; plan.json's other fields come too (data/schema/plan.schema.json). */
export interface Plan {
  program: string;
  side: 'left' | 'right';
  frame: Frame;
  /** By the ray's number, where the bones belong. */
  axis: Record<string, { base: Vec; head: Vec }>;
  bodies: Body[];
  missing: MissingBone[];
  rays: Ray[];
  devices: Device[];
  patterns: Patterns;
  measures: Measure[];
  measures_reduced: Measure[];
  open_questions: OpenQuestion[];
  cautions: Caution[];
  standing_cautions: Caution[];
  reduction: { order: number[]; method: 'contralateral' | 'congruence' };
}

export interface TheatreStep {
  id: string;
  title: string;
  lines: string[];
  ray: number | null;
  device: string | null;
  instrument: string | null;
  expected_mm: number | null;
  view: { name: string; orbital: number; tilt: number } | null;
  picture: string | null;
  done: boolean;
}

export interface FollowupItem {
  id: string;
  week_from: number;
  week_to: number;
  title: string;
  text: string;
  source: string;
  certainty: string;
  /** Once there is a date of surgery. */
  date_from?: string;
  date_to?: string;
  /** When it was kept. */
  done: string | null;
}

export interface FollowupCheck {
  n: number;
  date: string;
  kind: 'films' | 'ct';
  verdict: Verdict;
  sure: boolean;
  rays: RayCheck[];
  devices: DeviceCheck[];
  report: string;
  /** Without limits: those of the plan hold. */
  measures: Pick<Measure, 'key' | 'name' | 'value' | 'unit'>[];
  /** Against the check before, whose date may not be known. */
  since?: { date: string; rays: RayChange[]; devices: DeviceChange[] };
  cautions: string[];
  /** None in checks of the first versions. */
  films?: RealFilm[];
}
export type Verdict = 'anatomical' | 'acceptable' | 'not reduced' | 'not known';
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
/** Of verification.json (data/schema/verification.schema.json), what the page needs. */
export interface RayCheck {
  ray: number;
  verdict: Verdict;
  sure: boolean;
  shift_mm: Shift & { total: number };
  turn_deg: Turn & { total: number };
  uncertainty: { mm: number; deg: number };
  doubt?: string;
  /** Where there is one film only. */
  in_plane?: { mm: number; uncertainty_mm: number };
}
export interface DeviceCheck {
  id: string;
  seen: boolean;
  /** Where it was seen. */
  from_plan?: { entry_mm: number; tip_mm: number; axis_deg: number };
  warnings: string[];
}
export interface RayChange {
  ray: number;
  moved: boolean;
  uncertainty: { mm: number; deg: number };
  words: string;
}
export interface DeviceChange {
  id: string;
  moved: boolean;
  /** Where both checks saw it. */
  uncertainty?: { mm: number; axis_deg: number };
  words: string;
}

export interface DrawnMeasure {
  id: string;
  view: string;
  kind: 'distance' | 'angle';
  points: Vec[];
  state: FootState;
  value: number;
  unit: 'mm' | 'deg';
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
  uploads: Record<Part, Upload[]>;
  images: ScanFacts | null;
  /** Real films taken before the operation. */
  films: RealFilm[];
  /** Corrections of bones in force: lists by their kind. */
  edits: Record<string, unknown>;
  plan: Plan | null;
  theatre: { steps: TheatreStep[]; instruments: string[] } | null;
  followup: { surgery_date: string | null; plan: FollowupItem[]; checks: FollowupCheck[] };
  measures_drawn: DrawnMeasure[];
  /** Edits by hand that no longer fit the plan and were left out, and what of them is not known; once there is a plan. */
  cautions?: string[];
  /** Of the catalogue, once there is a plan. */
  implants?: Implant[];
  /** Why a plan that should be there could not be opened. */
  problem?: ServerError;
}

/** What is different while something is dragged. Devices that go along with a ray are checked when it is let go, and its manoeuvre is made then. */
export interface TryResult {
  devices: (Pick<Device, 'id'> & Partial<Device> & { checked: boolean })[];
  rays: (Omit<Ray, 'manoeuvre'> & Partial<Ray>)[];
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
  /** What lies beyond each edge. */
  left: string;
  right_word: string;
  top: string;
  bottom: string;
  /** Down the drill, where the device has one. */
  margin_mm: number | null;
  margin_at: [number, number] | null;
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
