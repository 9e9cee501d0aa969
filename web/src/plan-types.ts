// Made from src/case/plan_codec.cpp; the test PlanCodec.SchemaAndTypesAreCurrent renews it.

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

export interface BoneRecord {
  id: string;
  label: number;
  surface: string;
  reduced_surface: string;
  volume_mm3: number;
  complete: boolean;
  confidence: number;
  doubts: Doubt[];
  doubt: string;
  by_hand: boolean;
  mean_hu: number;
  evidence: Evidence;
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
    origin: Vec;
    directions: Direction[];
  };
  frame: Frame;
  bones: BoneRecord[];
  missing: MissingBone[];
  labels: 'labels.nrrd';
  injury: {
    rays: ({
      ray: number;
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
        deg: number;
        roll_deg: number;
      };
      by_hand: boolean;
      doubt: string;
      joint: JointFit;
      manoeuvre: string[];
    })[];
    fragments: ({
      id: string;
      transform: Mat;
      on_bone: Mat;
      uncertainty: {
        mm: number;
        deg: number;
      };
      uncertainty_on_bone: {
        mm: number;
        deg: number;
      };
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
  edits: {
    file: string;
    request: Record<string, unknown> | null;
    applied: string[];
  } | null;
  timings_s: Record<string, number>;
  cautions: string[];
  partial: boolean;
}
