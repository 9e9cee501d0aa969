// Where each ray belongs, and how it gets there.
#pragma once

#include <array>
#include <map>
#include <optional>
#include <string>
#include <vector>

#include "anatomy/bones.h"
#include "base/progress.h"
#include "base/result.h"
#include "injury/displacement.h"

namespace rayset {

namespace reduction {
struct JointNorms;
}

struct JointFit {
  double gap_mm = 0;       ///< mean gap over the facing patch
  double step_mm = 0;      ///< dorsal step-off at the joint line
  double overlap_mm = 0;   ///< deepest penetration of the two surfaces
  double contact_mm2 = 0;  ///< facing area closer than 2 mm
};

struct RayReduction {
  Ray ray;
  Rigid injured_to_reduced = Rigid::Identity();
  double uncertainty_mm = 0;   ///< half-width of a 95 % interval of the base's position
  double uncertainty_rad = 0;  ///< same, of the turn
  double roll_rad = 0;         ///< same, of the turn about the ray's own axis alone
  JointFit joint;
  std::vector<std::string>
      manoeuvre;  ///< steps in words: traction, adduction, plantarflexion, rotation, with mm and degrees
  /// What staying as scanned would cost over what it may (negative log likelihoods); standing.h says what follows.
  double strain = 0;
  /// How far its base would go had it not been left where it stands, mm; 0 of a ray that is put back.
  double away_mm = 0;
  std::string doubt;     ///< why the images do not tell whether the ray is displaced; empty: they do
  bool by_hand = false;  ///< the pose was given; the uncertainty is then 0: nobody computed one

  /// `pose` as a person gave it: nothing is doubted, no uncertainty known. Joint and manoeuvre are the caller's.
  void placeByHand(const Rigid& pose) {
    injured_to_reduced = pose;
    by_hand = true;
    doubt.clear();
    uncertainty_mm = uncertainty_rad = roll_rad = 0;
  }
};

/// From when on the bones of a reduced joint are told to overlap, mm (ours).
inline constexpr double kOverlapToldFromMm = 0.8;
/// From when on a dorsal step left at a reduced joint is told, mm: what counts as displacement of a ray.
inline constexpr double kStepToldFromMm = kDisplacedFromMm;
/// The dorsal step left at the ray's joint, where it is worth a look: at the second and third, whose dorsal borders are
/// flush (docs/decisions/reduction.md); at the others they differ in every foot.
[[nodiscard]] std::optional<double> dorsalStepLeft(const RayReduction& ray);

/// What a person fixed of one ray; patient frame, the metatarsal as scanned.
struct RayOverride {
  std::optional<Rigid> pose;       ///< injured_to_reduced, taken exactly; the other rays settle around it
  std::optional<Rigid> start;      ///< a further start of the search
  std::optional<Vec3> base_point;  ///< instead of the one found on the surface, mm
  std::optional<Vec3> distal;      ///< unit axis instead of the one found; of the second ray also the foot's axis
};
using RayOverrides = PerRay<RayOverride>;

enum class ReductionMethod { kContralateral, kCongruence };

struct ReductionResult {
  ReductionMethod method = ReductionMethod::kCongruence;
  std::vector<Ray> order{kPlacingOrder.begin(), kPlacingOrder.end()};
  PerRay<RayReduction> rays;      ///< absent: a ray whose bones are missing or that could not be placed
  BoneSurfaces reduced;           ///< every bone, metatarsals where they belong
  Frame frame;                    ///< foot frame of the reduced foot
  double mirror_residual_mm = 0;  ///< rms of mirrored against injured tarsus; 0 without the other foot
  std::vector<std::string> cautions;
};

/// Half-width of the interval of each ray's base, mm.
[[nodiscard]] PerRay<double> withinMm(const ReductionResult& reduction);

/// `injured`: bones as scanned, patient frame. `other`: the other foot's bones in their own place (not mirrored), or
/// null. `prior`: the template foot of the same side (proceduralFoot), used by the congruence method; any pose.
/// `norms`: of healthy joints (readJointNorms).
[[nodiscard]] Result<ReductionResult> reduceRays(const BoneSurfaces& injured, Side side, const BoneSurfaces* other,
                                                 const BoneSurfaces& prior, const reduction::JointNorms& norms,
                                                 const Progress& progress = {}, const RayOverrides& overrides = {});

/// The joint of one ray as it stands.
[[nodiscard]] JointFit jointFit(const Surface& metatarsal, const Surface& tarsal, const Vec3& dorsal);

}  // namespace rayset
