// Numbers as our files write them.
#pragma once

#include <cmath>

namespace rayset {

/// Rounded to `digits` decimals; never a negative zero.
[[nodiscard]] inline double rounded(double value, int digits) {
  const double scale = std::pow(10.0, digits);
  const double r = std::round(value * scale) / scale;
  return r == 0 ? 0.0 : r;
}

}  // namespace rayset
