// Cases to report on, made without images: a foot, known displacements, results filled from them. What the stages would
// compute is computed where it is cheap and exact (displaced bones, transforms) and set to stated values where it is
// not.
#pragma once

#include "case/case.h"

namespace rayset::sample {

/// Simple closed shapes in the places of the twelve bones (right foot, LPS, standing); enough for layout and geometry.
[[nodiscard]] BoneSurfaces blockFoot();

/// Five displacements, all given; `displaced` is worked out from them.
[[nodiscard]] PerRay<RayDisplacement> homolateral();
[[nodiscard]] PerRay<RayDisplacement> inPlace();

/// A complete case: `intact` displaced by `rays`, all results filled, two devices a ray.
[[nodiscard]] Case makeCase(const BoneSurfaces& intact, Side side, const PerRay<RayDisplacement>& rays,
                            bool other_foot = true);

}  // namespace rayset::sample
