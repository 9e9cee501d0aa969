// From labels to surfaces: each bone's outline is moved onto the edges of the grey values, then to a fitted cortex;
// where two bones lie close together both borders are fitted at once; and no two surfaces share space.
#pragma once

#include <optional>

#include "bones/bone_surface.h"

namespace rayset::bones {

/// A label whose surface is wanted.
struct Part {
  std::uint8_t label = 0;
  bool one_bone = true;     ///< false for toes and sesamoids, which are several
  bool metatarsal = false;  ///< its shaft shows the compact bone of the scan
  bool cortex = true;       ///< false where the model of a cortex does not hold: it is broken, or not of the midfoot
  bool fragment = false;    ///< a piece of another part: its own border and that part's are a break, no joint
  double search_mm = 1.8;   ///< see refineSurface()
};

/// Surfaces of the parts, local frame, parallel to `parts`; none where a label has too few voxels. `pixel_mm`,
/// `slice_mm`: voxels of the scan.
[[nodiscard]] std::vector<std::optional<RefinedSurface>> drawSurfaces(const ScanImage& scan,
                                                                      const std::vector<std::uint8_t>& labels,
                                                                      const std::vector<Part>& parts, double pixel_mm,
                                                                      double slice_mm);

}  // namespace rayset::bones
