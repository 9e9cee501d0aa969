// Where two bones share bone: the border between them moved to the cheapest face that parts them.
#pragma once

#include <functional>

#include "bones/features.h"

namespace rayset::bones {

/// `owner`: per voxel of `image` the index of a bone or a mark for other bone; 255 for none. Where two owners meet, the
/// voxels about their border are dealt out anew by a minimum cut: dark sheets are cheap to cut, then bright ones with
/// cancellous bone on both sides (two cortices that touch), and cancellous bone is dear, so that a joint that is closed
/// over part of its face is bridged by the smallest face instead of being leaked through. Voxels that `sure(n, owner)`
/// is true for and that lie more than 4 mm from the border stay. `sheet`: dark (darkSheet());
/// `plates`: bright (brightSheet()). Deterministic.
void settleBorders(const Image& image, const SheetAt& sheet, const SheetAt& plates,
                   const std::function<bool(std::size_t, std::uint8_t)>& sure, std::vector<std::uint8_t>& owner);

}  // namespace rayset::bones
