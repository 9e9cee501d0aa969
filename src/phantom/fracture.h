// Breaks the base of the second metatarsal, cutting through signed distance fields so that every piece is closed and
// the two sides of a break fit each other.
#pragma once

#include <vector>

#include "anatomy/frames.h"
#include "phantom/injury_spec.h"

namespace rayset {

struct BrokenPiece {
  Surface surface;  ///< closed, where the bone belongs
  Vec3 away;        ///< unit, out of the break: the way the piece drifts off the main part
};
struct BrokenBase {
  Surface main;
  std::vector<BrokenPiece> fragments;
};

/// `m2` where it belongs, with its axis and the foot frame. The shapes are ours, after the usual descriptions:
///   shear      one oblique plane takes the plantar-medial corner of the base off (where the Lisfranc ligament holds)
///   butterfly  two planes meeting at a plantar edge take a wedge out of the dorsal cortex, 5 to 17 mm from the joint
///   y          the stem of the Y splits the joint face, its arms run out to both cortices: a medial and a lateral
///   piece
///   fleck      a plane takes so much off the medial-plantar corner of the base that `fleck_mm3` are left beyond it
/// The break is rough: the planes carry waves of about half a millimetre. kInternal if a piece would be smaller than 60
/// mm^3 (15 for a fleck; a bone of unusual shape).
[[nodiscard]] Result<BrokenBase> breakSecondBase(const Surface& m2, const MetatarsalAxis& axis, const Frame& frame,
                                                 BaseFragment kind, double fleck_mm3 = 90);

}  // namespace rayset
