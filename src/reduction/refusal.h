// Whether placing a ray would leave its joint worse than as scanned; such a ray is not moved.
#pragma once

#include <map>
#include <string>

#include "reduction/joint_figures.h"

namespace rayset::reduction {

/// By ray, what would be worse in its tarsometatarsal joint, as a clause ("a dorsal step of 2.1 mm where the scan has
/// none above 0.4 mm"). `moved_mm`: how far the base of each ray goes; beyond half a base's width the ray was opposite
/// another facet, so its step as scanned is no yardstick, and only a step that would itself count as displacement
/// matters. A step is the distance of a border from where healthy feet have it (`norms`), the mean of its two halves;
/// the largest counts, if it exceeds the largest as scanned by at least 1 mm and is at least 2.5 spreads. A face counts
/// as uncovered if a fifth and 20 mm2 of it no longer face anything. Figures of the same foot, metatarsals as scanned
/// and as placed.
[[nodiscard]] PerRay<Message> worseJoints(const FootFigures& scanned, const FootFigures& placed,
                                          const JointNorms& norms, const PerRay<double>& moved_mm);

}  // namespace rayset::reduction
