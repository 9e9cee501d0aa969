#include "image/voxelise.h"

#include <algorithm>
#include <cmath>

namespace rayset {

std::size_t fillInside(LabelVolume& labels, const Surface& surface, std::uint8_t value) {
  const Grid& g = labels.grid;
  if (surface.empty() || g.count() == 0) return 0;
  // Rows are shifted minutely so as not to run along edges of triangles whose vertices lie on the grid.
  const Vec3 hair(0, 3.1e-7, 5.3e-7);
  std::vector<Vec3> at;
  at.reserve(surface.vertices.size());
  Box box;
  for (const Vec3& v : surface.vertices) {
    at.push_back(g.toIndex(v) + hair);
    box.extend(at.back());
  }
  const auto low = [&](int a) { return std::max(0, static_cast<int>(std::ceil(box.min()[a]))); };
  const auto high = [&](int a) { return std::min(g.size[a] - 1, static_cast<int>(std::floor(box.max()[a]))); };
  const int j0 = low(1), j1 = high(1), k0 = low(2), k1 = high(2);
  if (j1 < j0 || k1 < k0) return 0;
  std::vector<std::vector<float>> crossings(static_cast<std::size_t>(j1 - j0 + 1) *
                                            static_cast<std::size_t>(k1 - k0 + 1));
  const auto row = [&](int j, int k) {
    return static_cast<std::size_t>(k - k0) * static_cast<std::size_t>(j1 - j0 + 1) + static_cast<std::size_t>(j - j0);
  };
  for (const auto& t : surface.triangles) {
    const Vec3 &a = at[t[0]], &b = at[t[1]], &c = at[t[2]];
    const double area = (b.y() - a.y()) * (c.z() - a.z()) - (c.y() - a.y()) * (b.z() - a.z());
    if (area == 0) continue;  // seen edge-on: no row crosses it
    const int from_j = std::max(j0, static_cast<int>(std::ceil(std::min({a.y(), b.y(), c.y()})))),
              to_j = std::min(j1, static_cast<int>(std::floor(std::max({a.y(), b.y(), c.y()})))),
              from_k = std::max(k0, static_cast<int>(std::ceil(std::min({a.z(), b.z(), c.z()})))),
              to_k = std::min(k1, static_cast<int>(std::floor(std::max({a.z(), b.z(), c.z()}))));
    for (int k = from_k; k <= to_k; ++k)
      for (int j = from_j; j <= to_j; ++j) {
        const double u = ((j - a.y()) * (c.z() - a.z()) - (c.y() - a.y()) * (k - a.z())) / area;
        const double v = ((b.y() - a.y()) * (k - a.z()) - (j - a.y()) * (b.z() - a.z())) / area;
        if (u < 0 || v < 0 || u + v > 1) continue;
        crossings[row(j, k)].push_back(static_cast<float>(a.x() + u * (b.x() - a.x()) + v * (c.x() - a.x())));
      }
  }
  std::size_t inside = 0;
  for (int k = k0; k <= k1; ++k)
    for (int j = j0; j <= j1; ++j) {
      auto& x = crossings[row(j, k)];
      std::sort(x.begin(), x.end());
      for (std::size_t n = 0; n + 1 < x.size(); n += 2) {
        const int from = std::max(0, static_cast<int>(std::ceil(x[n]))),
                  to = std::min(g.size.x() - 1, static_cast<int>(std::floor(x[n + 1])));
        for (int i = from; i <= to; ++i) {
          ++inside;
          auto& voxel = labels.at(i, j, k);
          if (voxel == 0) voxel = value;
        }
      }
    }
  return inside;
}

}  // namespace rayset
