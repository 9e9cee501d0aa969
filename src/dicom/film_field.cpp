// Collimator edges burnt into a film, and how much of it is clipped.
#include <algorithm>
#include <cmath>

#include "dicom/film_reader.h"

namespace rayset {
namespace {

// Ours. A shutter is drawn by software in one value, so its band does not vary; scanned and compressed films add a
// little. The edge is a jump of at least kJump of the film's range along kShare of the exposed line.
constexpr double kFlat = 0.01, kJump = 0.02, kShare = 0.85;
constexpr int kReach = 3;  // pixels over which an edge may be smeared

/// A film seen from one of its four sides: line 0 is the outermost.
struct FromSide {
  const Film& film;
  int side;  // 0 left, 1 right, 2 top, 3 bottom
  [[nodiscard]] int lines() const { return side < 2 ? film.columns : film.rows; }
  [[nodiscard]] int length() const { return side < 2 ? film.rows : film.columns; }
  [[nodiscard]] double at(int line, int along) const {
    const int far = lines() - 1 - line;
    return static_cast<double>(side == 0   ? film.at(line, along)
                               : side == 1 ? film.at(far, along)
                               : side == 2 ? film.at(along, line)
                                           : film.at(along, far));
  }
};

/// Width of the band of one value, in lines.
int bandWidth(const FromSide& f, double flat) {
  const double value = f.at(0, f.length() / 2);
  int line = 0;
  for (; line < f.lines() / 2; ++line) {
    int off = 0;
    for (int i = 0; i < f.length(); ++i) off += std::abs(f.at(line, i) - value) > flat ? 1 : 0;
    if (off > f.length() / 200) break;  // a few defective pixels, or a marker's corner
  }
  return line;
}

/// Whether the line that ends the band is a straight edge between `from` and `to` along it.
bool straightEdge(const FromSide& f, int line, int from, int to, double jump) {
  const double value = f.at(0, f.length() / 2);
  const int beyond = std::min(line + kReach, f.lines() - 1);
  int jumped = 0, all = 0;
  for (int i = from + kReach; i < to - kReach; ++i, ++all) jumped += std::abs(f.at(beyond, i) - value) > jump ? 1 : 0;
  return all > 0 && jumped >= kShare * all;
}

}  // namespace

FilmField findField(const Film& film) {
  FilmField field{FilmField::Origin::kWhole, 0, 0, film.columns, film.rows};
  if (film.columns < 16 || film.rows < 16) return field;
  const auto [least, most] = std::minmax_element(film.values.begin(), film.values.end());
  const double range = static_cast<double>(*most) - static_cast<double>(*least);
  if (!(range > 0)) return field;
  std::array<int, 4> band{};
  for (int side = 0; side < 4; ++side) band[static_cast<std::size_t>(side)] = bandWidth({film, side}, kFlat * range);
  // Each edge is judged along the part that the bands at its ends leave.
  for (int side = 0; side < 4; ++side) {
    const FromSide f{film, side};
    const int width = band[static_cast<std::size_t>(side)];
    if (width == 0) continue;
    const std::size_t before = side < 2 ? 2 : 0;
    const int from = band[before], to = f.length() - band[before + 1];
    if (!straightEdge(f, width, from, to, kJump * range)) continue;
    field.origin = FilmField::Origin::kFound;
    (side == 0   ? field.left
     : side == 1 ? field.right
     : side == 2 ? field.top
                 : field.bottom) = side == 0 || side == 2 ? width : (side == 1 ? film.columns : film.rows) - width;
  }
  return field;
}

}  // namespace rayset
