// Where each ray belongs, and how it gets there.
#pragma once

#include <array>
#include <map>
#include <optional>
#include <string>
#include <vector>

#include "anatomy/bones.h"
#include "base/message.h"
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
  std::vector<Message>
      manoeuvre;  ///< steps in words: traction, adduction, plantarflexion, rotation, with mm and degrees
  /// Cost of staying as scanned relative to what is allowed (negative log likelihoods); see standing.h for the
  /// consequences.
  double strain = 0;
  /// How far its base would have moved had it not been left in place, mm; 0 for a ray that is reduced.
  double away_mm = 0;
  Message doubt;         ///< why the images do not show whether the ray is displaced; empty if they do
  bool by_hand = false;  ///< the pose was set by hand; the uncertainty is then 0, as none was computed

  /// Sets a manual `pose`: no doubt, no known uncertainty. Joint and manoeuvre are left to the caller.
  void placeByHand(const Rigid& pose) {
    injured_to_reduced = pose;
    by_hand = true;
    doubt = {};
    uncertainty_mm = uncertainty_rad = roll_rad = 0;
  }
};

/// Overlap of the bones of a reduced joint from which it is reported, mm (ours).
inline constexpr double kOverlapToldFromMm = 0.8;
/// Dorsal step left at a reduced joint from which it is reported, mm: the same as for displacement of a ray.
inline constexpr double kStepToldFromMm = kDisplacedFromMm;
/// The dorsal step left at the ray's joint, if meaningful: at the second and third, whose dorsal borders are flush
/// (docs/decisions/reduction.md); at the others they differ in every foot.
[[nodiscard]] std::optional<double> dorsalStepLeft(const RayReduction& ray);

/// What the user has set for one ray; patient frame, the metatarsal as scanned.
struct RayOverride {
  std::optional<Rigid> pose;       ///< injured_to_reduced, used exactly; the other rays settle around it
  std::optional<Rigid> start;      ///< a further start of the search
  std::optional<Vec3> base_point;  ///< instead of the one found on the surface, mm
  std::optional<Vec3> distal;      ///< unit axis instead of the one found; of the second ray also the foot's axis
};
using RayOverrides = PerRay<RayOverride>;

enum class ReductionMethod { kContralateral, kCongruence };

struct ReductionResult {
  ReductionMethod method = ReductionMethod::kCongruence;
  std::vector<Ray> order{kPlacingOrder.begin(), kPlacingOrder.end()};
  PerRay<RayReduction> rays;      ///< absent if the ray's bones are missing or it could not be placed
  BoneSurfaces reduced;           ///< every bone, metatarsals where they belong
  Frame frame;                    ///< foot frame of the reduced foot
  double mirror_residual_mm = 0;  ///< rms between the mirrored and the injured tarsus; 0 without the other foot
  std::vector<Message> cautions;
};

/// Half-width of the interval of each ray's base, mm.
[[nodiscard]] PerRay<double> withinMm(const ReductionResult& reduction);

/// `injured`: bones as scanned, patient frame. `other`: the other foot's bones in their own place (not mirrored), or
/// null. `prior`: the template foot of the same side (proceduralFoot), used by the congruence method; any pose.
/// `norms`: of healthy joints (readJointNorms).
[[nodiscard]] Result<ReductionResult> reduceRays(const BoneSurfaces& injured, Side side, const BoneSurfaces* other,
                                                 const BoneSurfaces& prior, const reduction::JointNorms& norms,
                                                 const Progress& progress = {}, const RayOverrides& overrides = {});

/// The joint of one ray as it is.
[[nodiscard]] JointFit jointFit(const Surface& metatarsal, const Surface& tarsal, const Vec3& dorsal);

}  // namespace rayset
