// Thin leaves on a bone are its neighbour's: the wall of a sesamoid, the edge of a cuneiform.
#pragma once

#include <cstdint>
#include <vector>

#include "bones/scan_image.h"

namespace rayset::bones {

/// `owner`: per voxel the index of a bone, anything from there on for other bone (`stray`) or none. What is thinner
/// than 3 mm, sticks out of its bone by more than 2.2 mm and lies against another goes to the bone that it touches
/// most. Bones have edges, not leaves: on the feet of four people nothing of any midfoot bone is so thin so far out.
/// `trimmed[b]`: whether the bone is looked at. Deterministic.
void trimLeaves(const Image& image, const std::vector<std::uint8_t>& trimmed, std::uint8_t stray,
                std::vector<std::uint8_t>& owner);

}  // namespace rayset::bones
