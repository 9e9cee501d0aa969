// A bone's surface at sub-voxel precision: from the label's smooth outline, every vertex moved along its normal to
// where the grey values say the bone ends.
#pragma once

#include "bones/labelling.h"

namespace rayset::bones {

/// What a vertex of a bone's surface lies against.
struct Facing {
  std::int16_t other = -1;   ///< the surface; -1: none within about 2 mm
  float width_mm = 0;        ///< of the joint there
  float uncertainty_mm = 0;  ///< standard deviation of that width by the grey values and their noise
  /// False where the dark line is too thin for the scan: what the width is taken to be then rests on its neighbourhood.
  [[nodiscard]] bool told() const { return other < 0 || static_cast<double>(uncertainty_mm) < kTellMm; }
  static constexpr double kTellMm = 0.15;
};

struct RefinedSurface {
  Surface surface;             ///< local frame, closed
  double supported = 0;        ///< fraction of the vertices (in view) placed by a clear edge of their own
  double mean_hu = 0;          ///< of the bone's interior
  bool cut = false;            ///< reaches a border of the scan
  double moved_mm = 0;         ///< mean distance between the label's outline and the final surface
  std::vector<Facing> facing;  ///< by vertex, see drawSurfaces(); empty: nothing is near
};

/// The voxels of a label: first and last along each axis (both included), and how many.
struct LabelExtent {
  Eigen::Vector3i low, high;
  std::size_t count = 0;
};
[[nodiscard]] LabelExtent labelExtent(const Image& grid, const std::vector<std::uint8_t>& labels, std::uint8_t label);

/// Closed outline of one label: the half level of its slightly smoothed indicator. Only the largest piece; holes
/// filled. Empty where the label has fewer than 50 voxels. `one_bone` false (toes, sesamoids): the pieces of 100
/// voxels and more as well, one closed surface each.
[[nodiscard]] Surface labelOutline(const Image& grid, const std::vector<std::uint8_t>& labels, std::uint8_t label,
                                   bool one_bone = true);

/// Moves the outline onto the edges of the grey values. Where no edge is seen (contact, metal) the outline stays,
/// joined smoothly. `search_mm`: how far from the outline an edge is looked for at first; less where the outline is
/// known to be near (a break through cancellous bone, whose pores have edges too).
[[nodiscard]] RefinedSurface refineSurface(const ScanImage& scan, Surface outline, double search_mm = 1.8);

}  // namespace rayset::bones
