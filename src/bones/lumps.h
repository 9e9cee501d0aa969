// Removes a neighbour that a template was wrongly deformed around: it is attached by a joint too narrow to show as a
// gap.
#pragma once

#include <cstdint>
#include <functional>
#include <vector>

#include "bones/features.h"

namespace rayset::bones {

/// `owner`: per voxel the index of a bone, anything from `bones` on for other bone or none. A part cut off from the
/// rest of its bone by a bright sheet (`plates`, brightSheet(): the two plates of a closed joint), of at least 40 mm3
/// but no more than a third of the bone, goes to `stray`; the sheet is divided between both sides. `parted(b)`: whether
/// the bone may be split this way. Deterministic.
void partLumps(const Image& image, const SheetAt& plates, std::size_t bones,
               const std::function<bool(std::uint8_t)>& parted, std::uint8_t stray, std::vector<std::uint8_t>& owner);

}  // namespace rayset::bones
