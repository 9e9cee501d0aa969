// Points and transforms as the plan contract writes them: arrays of rounded numbers, matrices row by row.
#pragma once

#include <cmath>
#include <nlohmann/json.hpp>

#include "geometry/types.h"

namespace rayset {

/// Rounded to `digits` decimals; never a negative zero.
[[nodiscard]] inline double rounded(double value, int digits) {
  const double scale = std::pow(10.0, digits);
  const double r = std::round(value * scale) / scale;
  return r == 0 ? 0.0 : r;
}

/// [x, y, z]
[[nodiscard]] inline nlohmann::ordered_json pointJson(const Vec3& v, int digits) {
  return nlohmann::ordered_json::array({rounded(v.x(), digits), rounded(v.y(), digits), rounded(v.z(), digits)});
}

/// 4 x 4, row major, acting on column vectors [x y z 1]; shifts to 1e-5 mm, rotations to 1e-9.
[[nodiscard]] inline nlohmann::ordered_json rigidJson(const Rigid& X) {
  nlohmann::ordered_json rows = nlohmann::ordered_json::array();
  for (int r = 0; r < 4; ++r) {
    nlohmann::ordered_json row = nlohmann::ordered_json::array();
    for (int c = 0; c < 4; ++c) row.push_back(rounded(X.matrix()(r, c), c == 3 ? 5 : 9));
    rows.push_back(row);
  }
  return rows;
}

}  // namespace rayset
