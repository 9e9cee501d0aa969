// Voxels inside a closed surface.
#pragma once

#include <cstdint>

#include "geometry/surface.h"
#include "image/volume.h"

namespace rayset {

/// Sets every voxel that is still 0 and whose centre lies inside the closed `surface` (patient frame) to `value`.
/// Returns the number of voxels inside, whatever their label. Parts outside the grid are ignored. Even-odd rule along
/// the rows of the grid.
std::size_t fillInside(LabelVolume& labels, const Surface& surface, std::uint8_t value);

}  // namespace rayset
