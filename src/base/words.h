// Text helpers that every stage needs.
#pragma once

#include <string>
#include <vector>

namespace rayset {

/// "a", "a and b", "a, b and c"; empty for an empty list.
[[nodiscard]] std::string listed(const std::vector<std::string>& items);

}  // namespace rayset
