// Bone beyond the reach of its fitted template: the end of a bone longer than its template is reclaimed, the toe beyond
// a closed joint is not.
#pragma once

#include "bones/deform.h"
#include "bones/features.h"

namespace rayset::bones {

/// `owner`: per voxel the index of a bone, `stray` for bone assigned to none, anything else for no bone. Strays that
/// are clearly part of the bone they touch are added to it:
///   a cap        more contact than a ball of its size would have (a metatarsal: twice that), and no gap in it;
///   an end       of a metatarsal, in line with its shaft: the bone meets it at its full calibre, whereas a toe touches
///                a head over a patch only; it is no darker there (a joint is) and not so long that it must include the
///                toe;
///   a little     of a tarsal bone, or a cap of up to half of it, without a dip in grey value where they meet.
///   an end that includes a toe is added up to the joint, as far as a section shows it.
/// Returns true in that last case: the border then has to be settled again. `sheet`: dark (darkSheet()), of
/// `contrast_hu`; `expected`: voxels of each bone. Deterministic.
[[nodiscard]] bool bringHome(const Image& image, const SheetAt& sheet, const std::vector<DeformedBone>& bones,
                             const std::vector<double>& expected, double contrast_hu, std::uint8_t stray,
                             std::vector<std::uint8_t>& owner);

}  // namespace rayset::bones
