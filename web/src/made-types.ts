// Made from the tables of the files (src/server/case_codec.cpp and what it includes); the test PageTypes.AreCurrent renews it.

export type Vec = [number, number, number];

export type Direction = [number, number, number];

export interface Frame {
  origin: Vec;
  distal: Direction;
  medial: Direction;
  dorsal: Direction;
}

export type Doubt = 'touching' | 'cropped' | 'metal' | 'low density' | 'faint outline' | 'odd volume' | 'end missing' | 'taken along' | 'not found';

export interface Evidence {
  outline: number;
  match: number;
  touching: number;
  volume_ratio: number;
  cut: number;
  contrast_hu: number;
  noise_hu: number;
  metal: number;
  strayed: number;
  missed: number;
  buried: number;
  open_end: number;
  length_ratio: number;
  stands_off_mm2: number;
  dense_inside_mm3: number;
}

export interface NamedFigures {
  segmenter: string;
  figures: Record<string, number>;
}

export interface BoneRecord {
  id: string;
  label: number;
  surface: string;
  reduced_surface: string;
  volume_mm3: number;
  complete: boolean;
  /** how likely the surface is within 0.5 mm everywhere; docs/decisions/confidence.md says how well this holds */
  confidence: number;
  doubts: Doubt[];
  /** the doubts in words, with figures */
  doubt: string;
  /** corrected by an edit */
  by_hand: boolean;
  mean_hu: number;
  /** what the confidence is based on; of the template: shares of the surface (0 to 1) and grey values, docs/decisions/confidence.md */
  evidence?: Evidence | NamedFigures;
}

export interface MissingBone {
  id: string;
  confidence: 0;
  doubts: ["not found"];
}

export interface Measure {
  key: string;
  name: string;
  value: number;
  unit: 'mm' | 'deg' | 'mm2' | '%';
  limit: number | null;
  limit_on: 'value' | 'side difference';
  limit_is: 'upper' | 'lower';
  other_side: number | null;
  difference: number | null;
  abnormal: boolean | null;
  source: string;
  certainty: string;
  note: string;
  from?: Vec;
  to?: Vec;
}

export interface Patterns {
  quenu_kuss: 'homolateral' | 'isolated' | 'divergent' | 'none' | 'unclassified' | 'cannot be told';
  hardcastle: 'A' | 'B' | 'C' | 'none' | 'unclassified' | 'cannot be told';
  myerson: 'A' | 'B1' | 'B2' | 'C1' | 'C2' | 'none' | 'unclassified' | 'cannot be told';
  columns: ('medial' | 'middle' | 'lateral')[];
  reasons: {
    quenu_kuss: string;
    hardcastle: string;
    myerson: string;
  };
}

export type Mat = number[][];

export interface JointFit {
  gap_mm: number;
  step_mm: number;
  overlap_mm: number;
  contact_mm2: number;
}

export interface DeviceChecks {
  inside_fraction: number;
  cortex_margin_mm: number;
  nearest_device_mm: number;
  joint_area_lost_percent: number;
  tip_beyond_cortex_mm: number;
  crossing_off_centre_mm: number;
  entry_to_joint_mm: number;
  angle_to_shaft_deg: number;
  angle_to_surface_deg: number;
  crossing_angle_deg: number;
  length_in_first_mm: number;
  length_in_last_mm: number;
  mean_hu: number;
  pullout_n: number;
  pullout_low_n: number;
  pullout_high_n: number;
  other_bones: string[];
  may_enter: string[];
  surface_error_mm: number;
}

export interface DeviceRecord {
  id: string;
  type: string;
  kind: 'screw' | 'wire';
  stage: 'temporary' | 'definitive';
  ray: number;
  through: string[];
  entry: Vec;
  tip: Vec;
  direction: Direction;
  diameter_mm: number;
  length_mm: number;
  measured_depth_mm: number;
  countersink_mm: number;
  checks: DeviceChecks;
  warnings: string[];
}

export interface PlanFile {
  schema: 'rayset.plan/1';
  program: string;
  side: 'right' | 'left';
  /** "same scan", the folder's name, or null */
  other_foot: string | null;
  images: {
    patient_id: string;
    patient_name: string;
    patient_sex: string;
    patient_birth_date: string;
    study_uid: string;
    study_date: string;
    study_description: string;
    accession: string;
    series_uid: string;
    series_description: string;
    series_number: string;
    frame_of_reference_uid: string;
    manufacturer: string;
    model: string;
    kernel: string;
    body_part: string;
    laterality: string;
    patient_position: string;
    kvp: number;
    files: number;
    size: number[];
    spacing_mm: Vec;
    /** centre of the first voxel */
    origin: Vec;
    /** unit directions of increasing column, row and slice */
    directions: Direction[];
  };
  frame: Frame;
  bones: BoneRecord[];
  /** bones of the twelve that were not found, or were removed by hand */
  missing: MissingBone[];
  labels: 'labels.nrrd';
  injury: {
    rays: ({
      ray: number;
      /** null: it cannot be told */
      displaced: boolean | null;
      shift_mm: {
        lateral: number;
        dorsal: number;
        distal: number;
      };
      turn_deg: {
        abduction: number;
        plantarflexion: number;
        pronation: number;
      };
    })[];
    /** small pieces of bone between C1 and M2 that belong to no bone */
    flecks: ({
      centre: Vec;
      volume_mm3: number;
    })[];
    measures: Measure[];
    patterns: Patterns;
  };
  reduction: {
    method: 'contralateral' | 'congruence';
    order: number[];
    mirror_residual_mm?: number;
    rays: ({
      ray: number;
      transform: Mat;
      uncertainty: {
        mm: number;
        /** of the whole rotation */
        deg: number;
        /** of the rotation about the ray's own axis alone */
        roll_deg: number;
      };
      /** the transform was given by hand; its uncertainty is then 0 because none was computed */
      by_hand: boolean;
      /** why it cannot be told whether the ray is displaced; empty where it can */
      doubt: string;
      joint: JointFit;
      manoeuvre: string[];
    })[];
    /** pieces of broken bones, ids as in bones[] */
    fragments: ({
      id: string;
      /** moves the fragment, as scanned, to where it belongs */
      transform: Mat;
      /** moves it to its place on the main part as scanned */
      on_bone: Mat;
      uncertainty: {
        mm: number;
        deg: number;
      };
      /** of its position on the main part alone */
      uncertainty_on_bone: {
        mm: number;
        deg: number;
      };
      /** the fracture faces once reduced */
      break: {
        gap_mm: number;
        step_mm: number;
        overlap_mm: number;
        face_mm2: number;
      };
      doubt: string;
    })[];
    measures: Measure[];
  };
  fixation: {
    devices: DeviceRecord[];
  };
  /** corrections by hand used in the plan, or null; the request follows edits.schema.json */
  edits: {
    file: string;
    request: Record<string, unknown> | null;
    applied: string[];
  } | null;
  timings_s: Record<string, number>;
  cautions: string[];
  /** a bone or ray could not be handled (exit status 4) */
  partial: boolean;
  /** codes of the sentences in this file, by JSON pointer */
  messages?: Record<string, unknown>;
}

export type Verdict = 'anatomical' | 'acceptable' | 'not reduced' | 'not known';

export interface RayCheck {
  ray: number;
  verdict: Verdict;
  sure: boolean;
  planned_to_found: Mat;
  /** from where the metatarsal was scanned, independent of the plan */
  injured_to_found: Mat;
  /** of the metatarsal, as found */
  base: Vec;
  /** of the base from where it was planned; total in space */
  shift_mm: {
    total: number;
    lateral: number;
    dorsal: number;
    distal: number;
  };
  turn_deg: {
    total: number;
    abduction: number;
    plantarflexion: number;
    pronation: number;
  };
  uncertainty: {
    mm: number;
    deg: number;
    /** direction in which the shift is least certain */
    weakest: Direction;
    weakest_words: string;
  };
  /** why the verdict is not sure; absent where it is */
  doubt?: string;
  /** with a single film: the part of the shift in its plane */
  in_plane?: {
    mm: number;
    uncertainty_mm: number;
  };
  /** on the worst film; films only */
  similarity?: number;
  /** between the registered surfaces; CT only */
  rms_mm?: number;
}

export interface DeviceCheck {
  id: string;
  seen: boolean;
  /** bones, in the order the device enters them */
  through: string[];
  entry?: Vec;
  tip?: Vec;
  from_plan?: {
    entry_mm: number;
    tip_mm: number;
    axis_deg: number;
  };
  uncertainty?: {
    entry_mm: number;
    tip_mm: number;
    axis_deg: number;
  };
  /** than planned, as the images show */
  longer_mm?: number;
  /** between its ends, where films show no metal: it looks broken */
  gap?: {
    mm: number;
    from_entry_mm: number;
  };
  /** how well its shadow matches, on the film that shows it worst; films only */
  similarity?: number;
  /** in its found position, in the bones as found */
  checks?: {
    inside_fraction: number;
    cortex_margin_mm: number;
    tip_beyond_cortex_mm: number;
    other_bones: string[];
  };
  warnings: string[];
}

export interface MeasureFound {
  key: string;
  name: string;
  value: number;
  unit: 'mm' | 'deg';
}

export interface RayChange {
  ray: number;
  /** shift or turn lies outside its interval */
  moved: boolean;
  /** of the base; total in space */
  shift_mm: {
    total: number;
    lateral: number;
    dorsal: number;
    distal: number;
  };
  turn_deg: number;
  uncertainty: {
    mm: number;
    deg: number;
  };
  words: string;
}

export interface DeviceChange {
  id: string;
  moved: boolean;
  /** along its axis, relative to the bone it was entered through; negative: deeper */
  backed_out_mm?: number;
  aside_mm?: number;
  /** looks broken, and did not at the earlier check */
  broke?: boolean;
  axis_deg?: number;
  uncertainty?: {
    mm: number;
    axis_deg: number;
  };
  words: string;
}

export interface Since {
  /** of the earlier check; may be empty */
  date: string;
  rays: RayChange[];
  devices: DeviceChange[];
}

export interface VerificationFile {
  schema: 'rayset.verification/1';
  side: 'right' | 'left';
  patient_id: string;
  /** of the worst ray */
  verdict: Verdict;
  /** whether the whole interval of every ray lies on one side of each limit */
  sure: boolean;
  /** of the images; absent where unknown */
  date?: string;
  /** directions of the foot, patient frame */
  frame: {
    medial: Direction;
    distal: Direction;
    dorsal: Direction;
  };
  /** the scan that was read, in words; absent for films */
  ct?: string;
  /** empty for a CT */
  films: ({
    file: string;
    /** the view assumed, and its origin */
    view: string;
    similarity: number;
    /** of the tube, from its nominal place in the view */
    from_nominal: {
      mm: number;
      deg: number;
    };
    source: Vec;
    /** centre of the first pixel */
    detector: Vec;
    right: Direction;
    down: Direction;
    pixel_mm: number;
  })[];
  /** those that could be judged */
  rays: RayCheck[];
  devices: DeviceCheck[];
  /** of the foot as found */
  measures: MeasureFound[];
  /** what has changed since an earlier check; absent where none was given */
  since?: Since;
  cautions: string[];
  /** codes of the sentences in this file, by JSON pointer */
  messages?: Record<string, unknown>;
}

export interface HistoryEntry {
  seq: number;
  at: string;
  kind: string;
  words: string;
  active: boolean;
}

export interface ServerError {
  what: string;
  where?: string;
  remedy?: string;
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

export interface Upload {
  name: string;
  bytes: number;
}

export interface Uploads {
  images: Upload[];
  other: Upload[];
  films: Upload[];
  followup: Upload[];
}

export interface ScanFacts {
  patient: string;
  patient_id: string;
  study_date: string;
  series: string;
  series_uid: string;
  files: number;
  size: [number, number, number];
  spacing_mm: [number, number, number];
  cautions: string[];
  preview: string | null;
  /** "apart" in a folder of its own, "same scan", or null */
  other_foot: string | null;
}

export interface RealFilm {
  view: string | null;
  date: string | null;
  side: 'right' | 'left' | null;
  cautions: string[];
  id: string;
  name: string;
}

export interface Patient {
  name: string;
  id: string;
  born: string;
  scanned: string;
}

export interface Body {
  id: string;
  name: string;
  ray: number | null;
  injured_to_reduced: Mat | null;
  confidence: number;
  /** in words; empty where there is none */
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

export interface Ray {
  ray: number;
  /** in the words in which it is shown */
  state: 'displaced' | 'in place' | 'cannot be told' | 'not judged';
  shift_mm: Shift | null;
  turn_deg: Turn | null;
  words: string;
  by_hand: boolean;
  transform: Mat | null;
  planned_transform: Mat | null;
  /** 95 %; of the whole turn, and of that about the ray's own axis. Zeros where it was placed by hand: none was computed */
  uncertainty: {
    mm: number;
    /** of the whole rotation */
    deg: number;
    /** of the rotation about the ray's own axis alone */
    roll_deg: number;
  } | null;
  joint: JointFit | null;
  /** the bones of the joint, by more than the error of their surfaces */
  overlaps: boolean;
  manoeuvre: string[];
  attention: string[];
}

export interface ChecksShown {
  inside_fraction: number;
  cortex_margin_mm: number;
  nearest_device_mm: number;
  joint_area_lost_percent: number;
  tip_beyond_cortex_mm: number;
  crossing_off_centre_mm: number;
  entry_to_joint_mm: number;
  angle_to_shaft_deg: number;
  angle_to_surface_deg: number;
  crossing_angle_deg: number;
  length_in_first_mm: number;
  length_in_last_mm: number;
  mean_hu: number | null;
  pullout_n: number | null;
  pullout_low_n: number | null;
  pullout_high_n: number | null;
  other_bones: string[];
  may_enter: string[];
  surface_error_mm: number;
}

export interface Device {
  id: string;
  type: string;
  kind: 'screw' | 'wire';
  stage: 'temporary' | 'definitive';
  ray: number;
  through: string[];
  entry: Vec;
  tip: Vec;
  direction: Direction;
  diameter_mm: number;
  length_mm: number;
  measured_depth_mm: number;
  countersink_mm: number;
  checks: ChecksShown | null;
  warnings: string[];
  name: string;
  by_hand: boolean;
  entry_words: string;
  direction_words: string;
  margin_wanted_mm: number;
  ok: boolean;
  reasons: string[];
  remarks: string[];
  /** of the catalogue; none of what is cut to length */
  lengths_mm: number[];
  /** its hole is measured with a depth gauge */
  gauged: boolean;
  /** when it comes out: with the definitive devices in place, at a later date, not at all */
  fate: 'temporary' | 'later' | 'stays';
  /** what its ray can be fixed with instead */
  swaps_to: 'screws' | 'wires' | null;
  /** [along, radius] in mm, from the entry along its axis; for pictures */
  outline: ([number, number])[];
  /** what the gauge read */
  measured_mm: number | null;
  /** by a size of screw or more */
  gauge_off: boolean;
}

export interface PatternsShown {
  quenu_kuss: 'homolateral' | 'isolated' | 'divergent' | 'none' | 'unclassified' | 'cannot be told';
  hardcastle: 'A' | 'B' | 'C' | 'none' | 'unclassified' | 'cannot be told';
  myerson: 'A' | 'B1' | 'B2' | 'C1' | 'C2' | 'none' | 'unclassified' | 'cannot be told';
  columns: ('medial' | 'middle' | 'lateral')[];
  reasons: {
    quenu_kuss: string;
    hardcastle: string;
    myerson: string;
  };
  columns_words: string;
}

export interface OpenQuestion {
  ray: number | null;
  bones: string[];
  what: string;
  settle: string;
  remedies: ('other foot' | 'film' | 'place by hand' | 'correct bones')[];
}

export interface Caution {
  text: string;
  source: string;
}

export interface Plan {
  side: 'right' | 'left';
  frame: Frame;
  /** bones of the twelve that were not found, or were removed by hand */
  missing: MissingBone[];
  patient: Patient;
  reduction: {
    method: 'contralateral' | 'congruence';
    order: number[];
  };
  axis: Record<string, { base: Vec; head: Vec }>;
  bodies: Body[];
  rays: Ray[];
  devices: Device[];
  patterns: PatternsShown;
  measures: Measure[];
  measures_reduced: Measure[];
  /** what the plan leaves open, and what would settle it: shown before everything else */
  open_questions: OpenQuestion[];
  cautions: Caution[];
  standing_cautions: Caution[];
}

export interface TheatreStep {
  id: string;
  title: string;
  lines: string[];
  /** what speaks against doing it as planned */
  alarms: string[];
  ray: number | null;
  device: string | null;
  instrument: string | null;
  expected_mm: number | null;
  view: {
    name: string;
    orbital: number;
    tilt: number;
  } | null;
  picture: string | null;
  done: boolean;
}

export interface Theatre {
  steps: TheatreStep[];
  instruments: string[];
}

export interface FollowupItem {
  id: string;
  week_from: number;
  week_to: number;
  title: string;
  text: string;
  source: string;
  certainty: string;
  /** when it was kept */
  done: string | null;
  date_from?: string;
  date_to?: string;
}

export interface FollowupCheck {
  n: number;
  date: string;
  kind: 'ct' | 'films';
  /** of the worst ray */
  verdict: Verdict;
  /** whether the whole interval of every ray lies on one side of each limit */
  sure: boolean;
  report: string;
  /** those that could be judged */
  rays: RayCheck[];
  devices: DeviceCheck[];
  /** of the foot as found */
  measures: MeasureFound[];
  /** what has changed since an earlier check; absent where none was given */
  since?: Since;
  cautions: string[];
  /** none in checks of the first versions */
  films?: RealFilm[];
}

export interface Implant {
  id: string;
  kind: 'screw' | 'wire';
  name: string;
  diameter_mm: number;
  lengths_mm: number[];
}

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
  uploads: Uploads;
  images: ScanFacts | null;
  /** taken before the operation */
  films: RealFilm[];
  /** corrections of bones in force: lists by their kind */
  edits: Record<string, unknown>;
  plan: Plan | null;
  theatre: Theatre | null;
  followup: {
    surgery_date: string | null;
    plan: FollowupItem[];
    checks: FollowupCheck[];
  };
  measures_drawn: unknown[];
  problem?: ServerError;
  implants?: Implant[];
  cautions?: string[];
}
