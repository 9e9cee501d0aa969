// Applies manual landmarks and poses to the reduction.
#pragma once

#include <string>
#include <vector>

#include "base/message.h"
#include "bones/edits.h"
#include "reduction/reduce.h"

namespace rayset {

struct CorrectedReduction {
  ReductionResult reduction;
  RayOverrides overrides;        ///< the reduction's input, steps resolved to poses
  std::vector<Message> applied;  ///< what was done, one clause each
};

/// reduceRays() with the edits' landmarks and poses. A step (shift and turn) starts from where the rays would be with
/// all other edits applied, in the foot frame of that reduction and about the reduced base point; so the rays are
/// reduced twice. kRequest if a ray's bones were not found or a pose leaves the foot.
[[nodiscard]] Result<CorrectedReduction> reduceCorrected(const Edits& edits, const BoneSurfaces& injured, Side side,
                                                         const BoneSurfaces* other, const BoneSurfaces& prior,
                                                         const reduction::JointNorms& norms,
                                                         const Progress& progress = {});

/// The reference point of a ray's base after reduction: the one set by hand, moved with the bone, or else the surface's
/// own.
[[nodiscard]] Vec3 reducedBasePoint(Ray ray, const ReductionResult& reduction, const RayOverrides& overrides);

}  // namespace rayset
