// Grey pictures for the page, in memory.
#pragma once

#include <cstdint>
#include <vector>

#include "base/result.h"

namespace rayset {

/// 8-bit grey PNG (ISO/IEC 15948) of `width` x `height` values, row by row, packed for speed.
/// `pixel_mm`: the size of a pixel that pHYs gives; 0: none.
[[nodiscard]] Result<std::vector<std::uint8_t>> greyPng(const std::vector<std::uint8_t>& grey, int width, int height,
                                                        double pixel_mm);

}  // namespace rayset
