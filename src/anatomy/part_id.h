// Ids of bones and of their fragments: "M2" and "M2.1" (plan contract).
#pragma once

#include <string>

namespace rayset {

/// Of a fragment its bone's id, of a bone its own.
[[nodiscard]] inline std::string parentId(const std::string& id) { return id.substr(0, id.find('.')); }
[[nodiscard]] inline bool isFragmentId(const std::string& id) { return id.find('.') != std::string::npos; }

}  // namespace rayset
