// The ray board: five columns, one a ray, in the order the surgeon sees them looking down on the foot with the toes
// away.
#pragma once

#include "case/case.h"
#include "report/page.h"

namespace rayset {

/// Rays from left to right as seen from dorsal with the toes up: 1 to 5 for a right foot, 5 to 1 for a left one.
[[nodiscard]] std::vector<Ray> boardOrder(Side side);

/// Draws the board with its top left corner at (x, y) across `width` points; returns its height. `draw` false measures
/// only.
double drawBoard(cairo_t* cr, const Case& c, double x, double y, double width, bool draw = true);

}  // namespace rayset
