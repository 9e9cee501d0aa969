// Gives thin leaves on a bone back to its neighbour: the wall of a sesamoid, the edge of a cuneiform.
#pragma once

#include <cstdint>
#include <vector>

#include "bones/scan_image.h"

namespace rayset::bones {

/// `owner`: per voxel the index of a bone, anything from there on for other bone (`stray`) or none. Anything thinner
/// than 3 mm that sticks out of its bone by more than 2.2 mm and touches another goes to the bone it touches most.
/// Bones have edges, not leaves: in the feet of four people no part of any midfoot bone is that thin that far out.
/// `trimmed[b]`: whether to examine the bone. Deterministic.
void trimLeaves(const Image& image, const std::vector<std::uint8_t>& trimmed, std::uint8_t stray,
                std::vector<std::uint8_t>& owner);

}  // namespace rayset::bones
