// The parts of jointFit() that a joint followed while its ray is moved measures in the same way.
#pragma once

#include <vector>

#include "geometry/surface.h"

namespace rayset::reduction {

inline constexpr double kJointReachMm = 6;    ///< surfaces farther apart than this do not face each other
inline constexpr double kJointContactMm = 2;  ///< contract of JointFit::contact_mm2
inline constexpr std::size_t kJointSamples = 4000;

/// Dorsal step at the joint line, mm, metatarsal over tarsal: dorsal edges on either side of it, column by column
/// across the foot, the mean of the middle half of their differences; 0 where no column holds both edges. The
/// metatarsal's points stand where `X` takes them. `centre` of the facing patch; `normal` of it, towards distal, of any
/// length; `dorsal` unit.
[[nodiscard]] double dorsalStep(const std::vector<OrientedPoint>& metatarsal, const Rigid& X,
                                const std::vector<OrientedPoint>& tarsal, const Vec3& centre, const Vec3& normal,
                                const Vec3& dorsal);

}  // namespace rayset::reduction
