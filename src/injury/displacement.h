// Displacement of each ray from where it belongs.
#pragma once

#include <array>
#include <cmath>
#include <optional>

#include "anatomy/bones.h"
#include "anatomy/frames.h"

namespace rayset {

/// Components in the foot frame, each positive in the same anatomical sense on right and left feet. The rotation is
/// plantarflexion about the foot's medial axis, then abduction about the floating axis, then pronation about the distal
/// axis carried along with the metatarsal; |abduction| < 90 degrees. Rotation sequence (Grood and Suntay 1983, J
/// Biomech Eng 105:136): see displacement.cpp.
struct RayDisplacement {
  Ray ray;
  double lateral_mm = 0, dorsal_mm = 0, distal_mm = 0;  ///< of the base's reference point
  /// Positive: head lateral / head plantar / dorsal surface rolls medially.
  double abduction_rad = 0, plantarflexion_rad = 0, pronation_rad = 0;
  bool displaced = false;
  bool told = true;  ///< false: the images leave it open; `displaced` is then the likelier answer

  /// Out of its line, to whichever side: what makes it count as displaced.
  [[nodiscard]] double asideMm() const { return std::hypot(lateral_mm, dorsal_mm); }
};

/// From this combined lateral and dorsal shift on a ray counts as displaced: ours, part of the plan contract.
inline constexpr double kDisplacedFromMm = 2.0;

/// `reduced_to_injured` moves the metatarsal from where it belongs to where it was scanned; `base_point` is the
/// reference point of the REDUCED metatarsal. The bound applies to asideMm().
[[nodiscard]] RayDisplacement displacement(Ray ray, const Rigid& reduced_to_injured, const Vec3& reduced_base_point,
                                           const Frame& frame, double displaced_from_mm = kDisplacedFromMm);
/// The inverse: the rigid transform that gives these components (phantoms and tests).
[[nodiscard]] Rigid displacementTransform(const RayDisplacement& d, const Vec3& reduced_base_point, const Frame& frame);

}  // namespace rayset
