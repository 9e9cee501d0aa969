// Grey pictures for the page, in memory.
#pragma once

#include <cstdint>
#include <vector>

#include "base/result.h"

namespace rayset {

/// 8-bit grey PNG (ISO/IEC 15948) of `width` x `height` values, row by row, every row told as the difference to the one
/// above. `pixel_mm`: what pHYs tells of the size of a pixel; 0: nothing.
[[nodiscard]] Result<std::vector<std::uint8_t>> greyPng(const std::vector<std::uint8_t>& grey, int width, int height,
                                                        double pixel_mm);

}  // namespace rayset
