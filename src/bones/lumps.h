// A neighbour that a template has been bent around: it hangs on the bone by a joint too narrow to show as a gap.
#pragma once

#include <cstdint>
#include <functional>
#include <vector>

#include "bones/features.h"

namespace rayset::bones {

/// `owner`: per voxel the index of a bone, anything from `bones` on for other bone or none. What is shut off from the
/// greater part of its bone by a bright sheet (`plates`, brightSheet(): the two plates of a closed joint), is of 40 mm3
/// or more and no more than a third of the bone, is given to `stray`; the sheet is shared between both sides.
/// `parted(b)`: whether the bone may be parted so. Deterministic.
void partLumps(const Image& image, const SheetAt& plates, std::size_t bones,
               const std::function<bool(std::uint8_t)>& parted, std::uint8_t stray, std::vector<std::uint8_t>& owner);

}  // namespace rayset::bones
