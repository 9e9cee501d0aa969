// Values between voxels, for loops over a volume in its own indices.
#pragma once

#include <algorithm>

#include "image/volume.h"

namespace rayset {

/// sampleLinear() at a point given in grid indices.
template <class T>
[[nodiscard]] double sampleLinearAt(const Volume<T>& volume, const Vec3& index, double outside) {
  const Grid& g = volume.grid;
  int c[3];
  double f[3];
  for (int k = 0; k < 3; ++k) {
    if (!(index[k] >= 0 && index[k] <= g.size[k] - 1)) return outside;
    c[k] = std::min(static_cast<int>(index[k]), std::max(0, g.size[k] - 2));
    f[k] = index[k] - c[k];
  }
  const std::size_t dx = g.size.x() > 1 ? 1 : 0;
  const std::size_t dy = g.size.y() > 1 ? static_cast<std::size_t>(g.size.x()) : 0;
  const std::size_t dz =
      g.size.z() > 1 ? static_cast<std::size_t>(g.size.x()) * static_cast<std::size_t>(g.size.y()) : 0;
  const T* v = volume.voxels.data() + g.offset(c[0], c[1], c[2]);
  const auto d = [v](std::size_t i) { return static_cast<double>(v[i]); };
  const auto lerp = [](double a, double b, double t) { return a + t * (b - a); };
  return lerp(lerp(lerp(d(0), d(dx), f[0]), lerp(d(dy), d(dy + dx), f[0]), f[1]),
              lerp(lerp(d(dz), d(dz + dx), f[0]), lerp(d(dz + dy), d(dz + dy + dx), f[0]), f[1]), f[2]);
}

}  // namespace rayset
