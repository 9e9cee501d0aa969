#include "workspace/previews.h"

#include <algorithm>
#include <cmath>
#include <utility>

#include "workspace/grey_png.h"

namespace rayset {

Picture ctPreview(const CtVolume& ct) {
  const Grid& g = ct.grid;
  const double fine = std::min(g.spacing.x(), g.spacing.z());
  const double step = std::max({fine, g.spacing.x() * g.size.x() / 400.0, g.spacing.z() * g.size.z() / 400.0});
  Picture p;
  p.width = std::max(1, static_cast<int>(g.spacing.x() * g.size.x() / step));
  p.height = std::max(1, static_cast<int>(g.spacing.z() * g.size.z() / step));
  for (int row = 0; row < p.height; ++row)
    for (int column = 0; column < p.width; ++column) {
      const int i = std::min(g.size.x() - 1, static_cast<int>(column * step / g.spacing.x()));
      const int k = g.size.z() - 1 - std::min(g.size.z() - 1, static_cast<int>(row * step / g.spacing.z()));
      int top = 0;
      for (int j = 0; j < g.size.y(); ++j) top = std::max(top, static_cast<int>(ct.at(i, j, k)));
      const auto grey = static_cast<std::uint8_t>(std::min(255, top * 255 / 1500));
      p.rgba.insert(p.rgba.end(), {grey, grey, grey, 255});
    }
  return p;
}

Result<std::vector<std::uint8_t>> filmPng(const FilmScan& scan, int most) {
  const Film shown = displayed(scan.film, scan.info);
  // Square pixels, each the mean of what it covers.
  const double aspect = scan.info.aspect > 0 ? scan.info.aspect : 1, high = shown.rows * aspect;
  const double step = std::max(1.0, std::max(static_cast<double>(shown.columns), high) / most);
  const int width = std::max(1, static_cast<int>(shown.columns / step)),
            height = std::max(1, static_cast<int>(high / step));
  const double down = step / aspect;
  std::vector<std::uint8_t> grey(static_cast<std::size_t>(width) * static_cast<std::size_t>(height));
  const auto span = [](int n, double by, int end) {
    const int from = std::min(end - 1, static_cast<int>(n * by));
    return std::pair(from, std::clamp(static_cast<int>((n + 1) * by), from + 1, end));
  };
  for (int r = 0; r < height; ++r) {
    const auto [top, bottom] = span(r, down, shown.rows);
    for (int c = 0; c < width; ++c) {
      const auto [left, right] = span(c, step, shown.columns);
      double sum = 0;
      for (int y = top; y < bottom; ++y)
        for (int x = left; x < right; ++x) sum += static_cast<double>(shown.at(x, y));
      grey[static_cast<std::size_t>(r) * static_cast<std::size_t>(width) + static_cast<std::size_t>(c)] =
          static_cast<std::uint8_t>(std::lround(255 * std::clamp(sum / ((bottom - top) * (right - left)), 0.0, 1.0)));
    }
  }
  const FilmSpacing& spacing = scan.info.spacing;
  return greyPng(grey, width, height, spacing.known() ? spacing.column_mm * step : 0);
}

}  // namespace rayset
