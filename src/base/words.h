// Words that every stage needs.
#pragma once

#include <string>
#include <vector>

namespace rayset {

/// "a", "a and b", "a, b and c"; empty of none.
[[nodiscard]] std::string listed(const std::vector<std::string>& items);

}  // namespace rayset
