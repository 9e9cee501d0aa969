// From labels to surfaces: each bone's outline is moved onto the edges of the grey values, then to a fitted cortex;
// where two bones are close together both borders are fitted at once; no two surfaces overlap.
#pragma once

#include <optional>

#include "bones/bone_surface.h"

namespace rayset::bones {

/// A label to make a surface for.
struct Part {
  std::uint8_t label = 0;
  bool one_bone = true;     ///< false for toes and sesamoids, which are several bones
  bool metatarsal = false;  ///< compact bone of the scan is measured on its shaft
  bool cortex = true;       ///< false if the cortex model does not apply: the bone is broken, or not of the midfoot
  bool fragment = false;    ///< a piece of another part: the border between the two is a break, not a joint
  double search_mm = 1.8;   ///< see refineSurface()
};

/// Surfaces of the parts, local frame, parallel to `parts`; nullopt if a label has too few voxels. `pixel_mm`,
/// `slice_mm`: voxels of the scan.
[[nodiscard]] std::vector<std::optional<RefinedSurface>> drawSurfaces(const ScanImage& scan,
                                                                      const std::vector<std::uint8_t>& labels,
                                                                      const std::vector<Part>& parts, double pixel_mm,
                                                                      double slice_mm);

}  // namespace rayset::bones
