// Whether a joint would be worse where its ray was placed than as scanned: such a ray is not put back.
#pragma once

#include <map>
#include <string>

#include "reduction/joint_figures.h"

namespace rayset::reduction {

/// By ray, what would be worse in its tarsometatarsal joint, as a clause ("a dorsal step of 2.1 mm where the scan has
/// none above 0.4 mm"). `moved_mm`: how far the base of each ray goes; from half a base's width on the ray stood before
/// another facet, so that its step as scanned is no measure: only one that would itself count as displacement does
/// then. A step is how far a border lies from where joints of healthy feet have it (`norms`), the mean of its two
/// halves; the largest counts, from 1 mm more than the largest as scanned and 2.5 spreads on. A face counts as
/// uncovered where a fifth and 20 mm2 of it face nothing any more. Figures of the same foot, metatarsals as scanned and
/// as placed.
[[nodiscard]] PerRay<std::string> worseJoints(const FootFigures& scanned, const FootFigures& placed,
                                              const JointNorms& norms, const PerRay<double>& moved_mm);

}  // namespace rayset::reduction
