// The two methods of finding where the rays belong share one solver: an atlas foot (the other foot mirrored, or the
// template) gives each metatarsal's expected pose relative to its tarsal neighbours and which faces meet at which gap;
// the patient's own surfaces then decide, as far as they can.
#pragma once

#include <array>
#include <map>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "anatomy/bones.h"
#include "base/progress.h"
#include "base/result.h"
#include "geometry/distance_field.h"
#include "reduction/borders.h"
#include "reduction/docking.h"
#include "reduction/field_fit.h"
#include "reduction/joint_figures.h"
#include "reduction/reduce.h"
#include "reduction/standing.h"

namespace rayset::reduction {

/// Knobs of the solver for one kind of atlas. Values: docs/decisions/reduction.md (found by experiment, ours).
struct Tuning {
  bool scale = false;         ///< the atlas is another person: fit the proportions of each bone
  bool bone_by_bone = false;  ///< map a base by the maps of the individual tarsal bones instead of one local map
  double local_mm = 18;       ///< tarsal points are weighted by exp(-(d/local)^2), d from the atlas metatarsal
  double partner_weight = 2;  ///< of the tarsal partner among the tarsal bones
  double base_mm = 18;        ///< length of a metatarsal that counts as its base
  double shaft_weight = 0.3;  ///< of the shaft relative to the base when fitting an atlas metatarsal to the patient's
  double lever = 0.15;        ///< weight of the shaft relative to the base when transferring the atlas pose
  EachRay<double> prior_turn_rad{};  ///< spread of the atlas' pose of each ray
  EachRay<double> prior_shift_mm{};
  /// Effect of injuries (ours): spread of a ray's displacement from where it belongs, as abduction, plantarflexion,
  /// pronation and lateral, distal, dorsal. The main guide to a ray's roll without the other foot.
  std::array<double, 3> injury_turn_rad{};
  std::array<double, 3> injury_shift_mm{};
  double face_gap_mm = 3.0;  ///< atlas points closer than this to the neighbour are joint faces
  double rim_mm = 0.8;       ///< the face ends where the gap is this much wider than at its narrowest tenth
  double area_mm2 = 40;      ///< face area (counted from both sides) that makes one independent measurement
  double even = 0;           ///< 0: gaps as in the atlas, 1: the same gap everywhere in a joint
  double even_fifth = 0;     ///< the same for the joints of the fifth ray
  double own_gap_mm = 1.3;   ///< target gap if the atlas is too far off to label faces
  double between_rays = 1;   ///< weight of the faces between neighbouring metatarsals relative to those to the tarsus
  double aside = 1;          ///< weight of the faces to tarsal neighbours other than the partner
  /// Spread of the cuboid's turn relative to the lateral cuneiform's, template to patient.
  double cuboid_turn_deg = 8;
  bool start_scanned = true;  ///< the scanned pose is a start of the search too
  /// Per ray: what staying as scanned may cost (negative log likelihood), the unit of Standing::strain. The second ray
  /// is held in its recess, and missing its displacement is the costliest mistake, so it is the last to be left in
  /// place.
  EachRay<double> keep_gain{{21, 21, 21, 21, 21}};
  /// An atlas whose metatarsal and partner miss the patient's by more than this (rms, mean of the two) cannot say which
  /// faces meet: the joint is then found iteratively from the patient's own surfaces (`own_*`).
  double own_above_mm = 1e9;
  /// The spread of the atlas pose is as given at this misfit and proportional to it (with a floor); 0: always as given.
  double prior_at_mm = 0;
  int own_passes = 3;            ///< iterations of finding the facing surfaces and solving the joint
  double own_weight = 4;         ///< of the faces in the last pass (growing up to it), when they are labelled correctly
  double own_rim_mm = 1.0;       ///< as rim_mm
  double own_atlas = 3;          ///< the spread of the atlas' pose is wider by this
  double own_injury = 2;         ///< the spread of the injury is wider by this
  double own_keep = 3;           ///< keep_gain is larger by this: the faces weigh more
  double widen_shift = 1;        ///< stated interval of the position relative to that of the model's covariance
  double widen_turn = 1;         ///< of the turn
  double own_widen_shift = 1.5;  ///< the same if the faces are the patient's own
  double own_widen_turn = 1.3;
  double gap_sd_mm = 0.6;  ///< spread of the gap in a joint with no norm of its own
  double tilt_sd = 0.15;   ///< spread of how far such a gap opens, mm per mm
  bool borders = false;    ///< also use borders if the atlas says which faces meet (otherwise they are always used)
  double border_mm = 3.2;  ///< bones usually farther apart than this do not border on each other
  double norm_spread = 1;  ///< factor on the spread of the figures of healthy joints
  DockSettings dock;
};
[[nodiscard]] Tuning mirrorTuning();
[[nodiscard]] Tuning templateTuning();

/// The patient's bones with what the solver needs, built once.
struct Patient {
  const BoneSurfaces* bones = nullptr;
  Side side = Side::kRight;
  std::map<Bone, DistanceField> fields;  ///< patient frame, as scanned
};
/// The distance field of one bone, made like those of Patient.
[[nodiscard]] DistanceField boneField(const Surface& bone);
/// Distance fields of the bones used to place rays, as far as present.
[[nodiscard]] std::map<Bone, DistanceField> midfootFields(const BoneSurfaces& bones, const Progress& progress = {});
[[nodiscard]] Result<Patient> preparePatient(const BoneSurfaces& bones, Side side, const Progress& progress);

/// An atlas registered to the patient.
struct Atlas {
  BoneSurfaces bones;                  ///< same side as the patient, any pose
  AtlasMap whole;                      ///< tarsus as a whole
  std::map<Bone, AtlasMap> maps;       ///< bone by bone (metatarsals: to the patient's metatarsal as scanned)
  std::map<Bone, double> residual_mm;  ///< rms of each bone after its own fit
  double tarsus_residual_mm = 0;       ///< rms of the tarsus fitted as a whole
};
[[nodiscard]] Result<Atlas> registerAtlas(const Patient& patient, BoneSurfaces bones, const Tuning& tuning,
                                          const Progress& progress);

/// Half-widths of 95 % intervals.
struct Interval {
  double mm = 0, rad = 0;
  double roll_rad = 0;  ///< of the turn about the ray's own axis alone
};

struct RaySolution {
  Rigid injured_to_reduced = Rigid::Identity();
  Rigid atlas_pose = Rigid::Identity();   ///< pose from the atlas alone
  Vec3 base = Vec3::Zero();               ///< reference point, as scanned
  Vec3 distal = Vec3::UnitX();            ///< own axis, unit, as scanned
  Interval interval;                      ///< of its position and turn
  bool kept = false;                      ///< stays as scanned
  double strain = 0;                      ///< Standing::strain
  Rigid alternative = Rigid::Identity();  ///< for a ray kept in place: its best pose otherwise
  bool own_faces = false;                 ///< the faces were taken from the patient's own surfaces
};

/// Rays whose metatarsal or partner is missing are absent. A ray with a given pose has it from the first step.
[[nodiscard]] Result<PerRay<RaySolution>> solveRays(const Patient& patient, const Atlas& atlas, const Tuning& tuning,
                                                    const JointNorms& norms, const Progress& progress,
                                                    const RayOverrides& overrides = {});

}  // namespace rayset::reduction
