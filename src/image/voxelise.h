// Voxels inside a closed surface.
#pragma once

#include <cstdint>

#include "geometry/surface.h"
#include "image/volume.h"

namespace rayset {

/// Gives `value` to every voxel whose centre lies inside the closed `surface` (patient frame) and that is still 0.
/// Returns how many voxels lie inside, whoever they belong to. Parts outside the grid are left out. Even-odd rule along
/// the rows of the grid.
std::size_t fillInside(LabelVolume& labels, const Surface& surface, std::uint8_t value);

}  // namespace rayset
