// What a request asks for: path and query of its first line.
#pragma once

#include <map>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace rayset::server {

struct Target {
  std::vector<std::string> segments;  ///< of the path, percent-decoded; none for "/"
  std::map<std::string, std::string> query;
};

/// nullopt if malformed: no path, empty segments, wrong %XX, not UTF-8, control characters.
[[nodiscard]] std::optional<Target> targetFrom(std::string_view text);

}  // namespace rayset::server
