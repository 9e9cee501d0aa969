// A bone's surface at sub-voxel precision: the label's smooth outline with every vertex moved along its normal to where
// the grey values end the bone.
#pragma once

#include "bones/labelling.h"

namespace rayset::bones {

/// What a vertex of a bone's surface faces.
struct Facing {
  std::int16_t other = -1;   ///< index of the surface; -1: none within about 2 mm
  float width_mm = 0;        ///< of the joint there
  float uncertainty_mm = 0;  ///< standard deviation of that width, from the grey values and their noise
  /// False if the dark line is too thin for the scan to resolve: the width is then inferred from the neighbourhood.
  [[nodiscard]] bool told() const { return other < 0 || static_cast<double>(uncertainty_mm) < kTellMm; }
  static constexpr double kTellMm = 0.15;
};

struct RefinedSurface {
  Surface surface;             ///< local frame, closed
  double supported = 0;        ///< fraction of the vertices (in view) placed by a clear edge of their own
  double mean_hu = 0;          ///< of the bone's interior
  bool cut = false;            ///< reaches a border of the scan
  double moved_mm = 0;         ///< mean distance between the label's outline and the final surface
  std::vector<Facing> facing;  ///< by vertex, see drawSurfaces(); empty if nothing is near
};

/// The extent of a label: first and last voxel along each axis (inclusive), and the number of voxels.
struct LabelExtent {
  Eigen::Vector3i low, high;
  std::size_t count = 0;
};
[[nodiscard]] LabelExtent labelExtent(const Image& grid, const std::vector<std::uint8_t>& labels, std::uint8_t label);

/// Closed outline of one label: the half level of its slightly smoothed indicator. Only the largest piece; holes
/// filled. Empty if the label has fewer than 50 voxels. If `one_bone` is false (toes, sesamoids), all pieces of 100
/// voxels or more too, one closed surface each.
[[nodiscard]] Surface labelOutline(const Image& grid, const std::vector<std::uint8_t>& labels, std::uint8_t label,
                                   bool one_bone = true);

/// Moves the outline onto the edges of the grey values. Where no edge is visible (contact, metal) the outline stays,
/// blending smoothly. `search_mm`: how far from the outline to look for an edge at first; less if the outline is known
/// to be close (a break through cancellous bone, whose pores have edges too).
[[nodiscard]] RefinedSurface refineSurface(const ScanImage& scan, Surface outline, double search_mm = 1.8);

}  // namespace rayset::bones
