// Angles are radians inside and degrees only at the edges (JSON, report, command line); names say which.
#pragma once

#include <numbers>

namespace rayset {

[[nodiscard]] constexpr double toDegrees(double radians) { return radians * 180.0 / std::numbers::pi; }
[[nodiscard]] constexpr double toRadians(double degrees) { return degrees * std::numbers::pi / 180.0; }

}  // namespace rayset
