// The joint of one ray while the ray is moved by hand: the result of jointFit(), fast enough to be called thousands of
// times.
//
// Each bone keeps its ray caster, its distance field and its evenly spread points in its own frame, so that nothing is
// built while the ray moves; the field picks the few points close enough to the other bone to matter. Those are
// measured as in jointFit(), so both agree to rounding.
#pragma once

#include "geometry/distance_field.h"
#include "geometry/ray_caster.h"
#include "reduction/reduce.h"

namespace rayset {

class LiveJoint {
 public:
  /// `metatarsal` as scanned, `tarsal` in its place; `dorsal` of the foot frame. Surfaces are copied as far as needed.
  LiveJoint(const Surface& metatarsal, const Surface& tarsal, const Vec3& dorsal);

  /// jointFit(transformed(metatarsal, injured_to_reduced), tarsal, dorsal).
  [[nodiscard]] JointFit at(const Rigid& injured_to_reduced) const;

 private:
  struct Bone {
    Bone(const Surface& surface);
    RayCaster caster;
    DistanceField field;
    std::vector<OrientedPoint> points;
    double each_mm2 = 0;  ///< area represented by one point
  };
  Bone metatarsal_, tarsal_;
  Vec3 dorsal_;
};

}  // namespace rayset
