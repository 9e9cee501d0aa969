// Text helpers that every stage needs.
#pragma once

#include <string>
#include <vector>

namespace rayset {

/// "a", "a and b", "a, b and c"; empty for an empty list.
[[nodiscard]] std::string listed(const std::vector<std::string>& items);
/// With a capital letter in front.
[[nodiscard]] std::string capitalised(std::string text);
/// With a full stop behind, unless it has its own end.
[[nodiscard]] std::string ended(std::string text);
/// Stages write clauses; people read sentences. Empty stays empty.
[[nodiscard]] std::string sentence(std::string clause);

}  // namespace rayset
