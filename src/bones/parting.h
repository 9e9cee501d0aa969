// Surfaces of different bones share no space: where they still lie in each other after everything was fitted, each
// gives way by half.
#pragma once

#include <vector>

#include "geometry/surface.h"

namespace rayset::bones {

/// Parts closed surfaces (same frame, mm) that lie in each other, by moving vertices; what is near them follows
/// smoothly. Afterwards no vertex lies deeper than 0.1 mm in another surface, unless they lay more than 4 mm in
/// each other. Returns by how many mm each vertex was moved (parallel to `surfaces`).
std::vector<std::vector<double>> partSurfaces(const std::vector<Surface*>& surfaces);

}  // namespace rayset::bones
