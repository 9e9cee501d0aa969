// The ray board: five columns, one per ray, as the surgeon sees them looking down on the foot with the toes pointing
// away.
#pragma once

#include <array>
#include <vector>

#include "case/case.h"
#include "language/words.h"
#include "report/page.h"

namespace rayset {

// --- also used by the board on the page: web/src/facts.ts is generated from it

/// Rays from left to right as seen from dorsal with the toes up: 1 to 5 for a right foot, 5 to 1 for a left one.
[[nodiscard]] std::vector<Ray> boardOrder(Side side);
/// +1 if the direction points to the right in the drawing, -1 if to the left.
struct BoardSense {
  double lateral = 1;  ///< seen from dorsal with the toes up
  double distal = 1;   ///< seen from medial
};
[[nodiscard]] constexpr BoardSense boardSense(Side side) {
  return side == Side::kRight ? BoardSense{1, -1} : BoardSense{-1, 1};
}
/// The largest shift sets the scale, but never less than this.
inline constexpr double kBoardLeastMm = 3;

/// Marks relative to their own position, in points on paper, to the right and up.
namespace board_marks {
using Corner = std::array<double, 2>;
inline constexpr std::array<Corner, 3> kDisplaced{{{0, 4}, {3.8, -3}, {-3.8, -3}}};
inline constexpr std::array<Corner, 4> kUntold{{{0, 4.4}, {3.2, 0}, {0, -4.4}, {-3.2, 0}}};
inline constexpr double kInPlaceRadius = 2.4;
inline constexpr double kBelongsRadius = 3.4;  ///< of the ring where the base belongs
/// Of the arrow between the two: length of its head, at most this share of the arrow; half the head's width and where
/// the shaft ends, as shares of the head.
inline constexpr double kHead = 5.5, kHeadShare = 0.6, kHeadHalfWidth = 0.45, kShaftInHead = 0.8;
}  // namespace board_marks

// --- the board of the report

/// Draws the board with its top left corner at (x, y) across `width` points; returns its height. With `draw` false it
/// only measures.
double drawBoard(const Words& words, cairo_t* cr, const Case& c, double x, double y, double width, bool draw = true);

}  // namespace rayset
