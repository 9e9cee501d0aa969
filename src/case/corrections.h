// Landmarks and poses by hand, brought into the reduction.
#pragma once

#include <string>
#include <vector>

#include "bones/edits.h"
#include "reduction/reduce.h"

namespace rayset {

struct CorrectedReduction {
  ReductionResult reduction;
  RayOverrides overrides;            ///< what the reduction was given, steps resolved to poses
  std::vector<std::string> applied;  ///< what was done, a clause each
};

/// reduceRays() under the edits' landmarks and poses. A step (shift and turn) is taken from where the rays would stand
/// with everything else in the edits, in the foot frame of that reduction, about the reduced base point; so the rays
/// are reduced twice. kRequest where a ray's bones were not found or a pose leaves the foot.
[[nodiscard]] Result<CorrectedReduction> reduceCorrected(const Edits& edits, const BoneSurfaces& injured, Side side,
                                                         const BoneSurfaces* other, const BoneSurfaces& prior,
                                                         const reduction::JointNorms& norms,
                                                         const Progress& progress = {});

/// The base's reference point of one ray where it belongs: the one given by hand, moved with the bone, or that of the
/// surface.
[[nodiscard]] Vec3 reducedBasePoint(Ray ray, const ReductionResult& reduction, const RayOverrides& overrides);

}  // namespace rayset
