// What the server sends (docs/decisions/workstation.md). Points and vectors are in the patient frame (LPS, mm). What the
// engine has tables of comes from there (made-types.ts).
import type { CaseState as CaseStateMade, Device, Plan, Ray, RealFilm as RealFilmMade, Vec } from './made-types';

export type {
  Body, Caution, ChecksShown, Device, DeviceChange, DeviceCheck, FollowupCheck, Job, Mat, Measure, OpenQuestion, Plan, Ray, RayChange, RayCheck, ServerError, Shift, TheatreStep, Vec,
  Verdict,
} from './made-types';

export type FootState = 'injured' | 'reduced';
export type Place = 'images' | 'injury' | 'reduction' | 'fixation' | 'theatre' | 'followup';

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

export interface DrawnMeasure {
  id: string;
  view: string;
  kind: 'distance' | 'angle';
  points: Vec[];
  state: FootState;
  value: number;
  unit: 'mm' | 'deg';
}

export type Part = 'images' | 'other' | 'films' | 'followup';

/** Measures that were drawn are edits: their table is that of `measure.add`. */
export type CaseState = Omit<CaseStateMade, 'measures_drawn'> & { measures_drawn: DrawnMeasure[] };

export interface RealFilm extends RealFilmMade {
  /** Number of the check after the operation it belongs to: the page's. */
  after?: number;
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
