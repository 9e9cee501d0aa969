// Bone beyond the reach of its fitted template: the end of a bone longer than its template comes home, the toe behind a
// closed joint does not.
#pragma once

#include "bones/deform.h"
#include "bones/features.h"

namespace rayset::bones {

/// `owner`: per voxel the index of a bone, `stray` for bone that was given to none, anything else for no bone. Strays
/// that are plainly part of the bone they touch become its own:
///   a cap        more contact than a ball of its size would have (a metatarsal: twice that), and no gap in it;
///   an end       of a metatarsal, in line with its shaft: the bone meets it at its full calibre, where a toe touches a
///                head by a patch, it is not darker there (a joint is), and not so long that it must hold the toe;
///   a little     of a tarsal bone, or a cap of up to half of it, without a dip in grey value where they meet.
///   an end that holds a toe as well goes home up to the joint, as far as a section tells it.
/// True where that last thing happened: the border is then to be settled once more. `sheet`: dark (darkSheet()), of
/// `contrast_hu`; `expected`: voxels of each bone. Deterministic.
[[nodiscard]] bool bringHome(const Image& image, const SheetAt& sheet, const std::vector<DeformedBone>& bones,
                             const std::vector<double>& expected, double contrast_hu, std::uint8_t stray,
                             std::vector<std::uint8_t>& owner);

}  // namespace rayset::bones
