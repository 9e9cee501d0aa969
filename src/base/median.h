#pragma once

#include <algorithm>
#include <cstddef>
#include <vector>

namespace rayset {

/// The middle value in order, the higher of two if their number is even. There must be at least one.
template <class T>
[[nodiscard]] T median(std::vector<T> values) {
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  return *middle;
}

}  // namespace rayset
