// Maps requests to handlers.
#pragma once

#include <string_view>

#include "server/http.h"
#include "server/station.h"

namespace rayset::server {

struct Route {
  std::string_view method;
  std::string_view pattern;  ///< words in capitals match any segment, "..." one or more of them
  Reply (*answer)(Station&, Request&);
  [[nodiscard]] bool ofCase() const { return pattern.find("/CASE") != std::string_view::npos; }
};

/// Null if none fits.
[[nodiscard]] const Route* routeOf(const Request& request);

}  // namespace rayset::server
