// Settles the border between two bones that run into each other: it moves to the cheapest face that separates them.
#pragma once

#include <functional>

#include "bones/features.h"

namespace rayset::bones {

/// `owner`: per voxel of `image` the index of a bone or a mark for other bone; 255 for none. Where two owners meet, the
/// voxels near their border are reassigned by a minimum cut: dark sheets are cheap to cut, bright ones with cancellous
/// bone on both sides (two touching cortices) cost more, and cancellous bone is expensive, so that a joint that is
/// closed over part of its face is bridged by the smallest face instead of leaking. Voxels for which `sure(n, owner)`
/// is true and that are more than 4 mm from the border stay. `sheet`: dark (darkSheet()); `plates`: bright
/// (brightSheet()). Deterministic.
void settleBorders(const Image& image, const SheetAt& sheet, const SheetAt& plates,
                   const std::function<bool(std::size_t, std::uint8_t)>& sure, std::vector<std::uint8_t>& owner);

}  // namespace rayset::bones
