// Keeps surfaces of different bones apart: if they still overlap after all fits, each gives way by half.
#pragma once

#include <vector>

#include "geometry/surface.h"

namespace rayset::bones {

/// Separates overlapping closed surfaces (same frame, mm) by moving vertices; their surroundings follow smoothly.
/// Afterwards no vertex is deeper than 0.1 mm in another surface, unless they overlapped by more than 4 mm. Returns how
/// far each vertex was moved, mm (parallel to `surfaces`).
std::vector<std::vector<double>> partSurfaces(const std::vector<Surface*>& surfaces);

}  // namespace rayset::bones
