// The intersection of a plane with a surface, triangle by triangle, and the order of its segments.
#pragma once

#include <algorithm>
#include <array>
#include <cstdint>
#include <optional>
#include <vector>

#include "geometry/surface.h"

namespace rayset {

/// In one triangle: from the edge going below the plane to the one coming above it. With outward triangles the solid is
/// on its left, seen from the normal's side.
struct CutSegment {
  std::uint64_t start_edge = 0, end_edge = 0;
  Vec3 start = Vec3::Zero(), end = Vec3::Zero();
};

/// `height`: of its corners above the plane. `place(k, l)`: where the plane meets the edge from corner k to corner l.
/// nullopt if all lie on one side.
template <class Place>
[[nodiscard]] std::optional<CutSegment> cutTriangle(const Surface::Triangle& t, const std::array<double, 3>& height,
                                                    const Place& place) {
  // A corner on the plane counts as above it: every edge cut then has one end on each side.
  const std::array<bool, 3> above{height[0] >= 0, height[1] >= 0, height[2] >= 0};
  if (above[0] == above[1] && above[1] == above[2]) return std::nullopt;
  CutSegment s;
  for (std::size_t k = 0; k < 3; ++k) {
    const std::size_t l = (k + 1) % 3;
    if (above[k] == above[l]) continue;
    (above[k] ? s.start : s.end) = place(k, l);
    (above[k] ? s.start_edge : s.end_edge) =
        (static_cast<std::uint64_t>(std::min(t[k], t[l])) << 32) | std::max(t[k], t[l]);
  }
  return s;
}
/// Where the line from a to b meets the plane, given their heights above it.
[[nodiscard]] inline Vec3 crossing(const Vec3& a, const Vec3& b, double height_a, double height_b) {
  return a + (b - a) * (height_a / (height_a - height_b));
}

/// Segments that follow each other, by index.
struct CutChain {
  std::vector<std::size_t> segments;
  bool closed = false;  ///< the last leads to the first
};
enum class ChainStart {
  kAnywhere,  ///< in the order of the segments; an open line may come in pieces
  kAtEnds     ///< open lines first, each from the end that nothing leads to, so that it stays whole
};
[[nodiscard]] std::vector<CutChain> chained(const std::vector<CutSegment>& segments, ChainStart start);

}  // namespace rayset
