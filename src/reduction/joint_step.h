// The parts of jointFit() shared with the live measurement of a joint while its ray is being moved.
#pragma once

#include <vector>

#include "geometry/surface.h"

namespace rayset::reduction {

inline constexpr double kJointReachMm = 6;    ///< surfaces farther apart than this do not face each other
inline constexpr double kJointContactMm = 2;  ///< as JointFit::contact_mm2 is defined
inline constexpr std::size_t kJointSamples = 4000;

/// Dorsal step at the joint line, mm, metatarsal over tarsal: dorsal edges on either side of it, column by column
/// across the foot, the mean of the middle half of their differences; 0 if no column contains both edges. The
/// metatarsal's points are moved by `X`. `centre` of the facing patch; `normal` of it, towards distal, of any length;
/// `dorsal` unit.
[[nodiscard]] double dorsalStep(const std::vector<OrientedPoint>& metatarsal, const Rigid& X,
                                const std::vector<OrientedPoint>& tarsal, const Vec3& centre, const Vec3& normal,
                                const Vec3& dorsal);

}  // namespace rayset::reduction
