#include "image/film.h"

#include <algorithm>

namespace rayset {

std::optional<double> valueAt(const Film& film, const Eigen::Vector2d& p) {
  if (!(p.x() >= 0 && p.y() >= 0 && p.x() <= film.columns - 1 && p.y() <= film.rows - 1)) return std::nullopt;
  const int c = std::min(static_cast<int>(p.x()), std::max(0, film.columns - 2));
  const int r = std::min(static_cast<int>(p.y()), std::max(0, film.rows - 2));
  const int c1 = std::min(c + 1, film.columns - 1), r1 = std::min(r + 1, film.rows - 1);
  const double x = p.x() - c, y = p.y() - r;
  const auto v = [&](int column, int row) { return static_cast<double>(film.at(column, row)); };
  return (1 - y) * ((1 - x) * v(c, r) + x * v(c1, r)) + y * ((1 - x) * v(c, r1) + x * v(c1, r1));
}

}  // namespace rayset
