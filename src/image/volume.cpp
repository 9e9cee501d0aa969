#include "image/volume.h"

#include <algorithm>
#include <cmath>

namespace rayset {

Points Grid::corners() const {
  Points points;
  for (int c = 0; c < 8; ++c) {
    points.push_back(toPatient(
        Vec3((c & 1) != 0 ? size.x() - 1 : 0, (c & 2) != 0 ? size.y() - 1 : 0, (c & 4) != 0 ? size.z() - 1 : 0)));
  }
  return points;
}

template <class T>
double sampleLinear(const Volume<T>& volume, const Vec3& p, double outside) {
  const Grid& g = volume.grid;
  const Vec3 q = g.toIndex(p);
  int c[3];
  double f[3];
  for (int k = 0; k < 3; ++k) {
    if (!(q[k] >= 0 && q[k] <= g.size[k] - 1)) return outside;
    c[k] = std::min(static_cast<int>(q[k]), std::max(0, g.size[k] - 2));
    f[k] = q[k] - c[k];
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

template <class T>
Vec3 sampleGradient(const Volume<T>& volume, const Vec3& p) {
  const Grid& g = volume.grid;
  Vec3 along;
  for (int k = 0; k < 3; ++k) {
    const Vec3 h = 0.5 * g.spacing[k] * g.direction.col(k);
    constexpr double kOutside = -1e9;
    const double a = sampleLinear(volume, p + h, kOutside), b = sampleLinear(volume, p - h, kOutside);
    if (a == kOutside || b == kOutside) return Vec3::Zero();
    along[k] = (a - b) / g.spacing[k];
  }
  return g.direction * along;
}

template double sampleLinear(const Volume<std::int16_t>&, const Vec3&, double);
template double sampleLinear(const Volume<float>&, const Vec3&, double);
template Vec3 sampleGradient(const Volume<std::int16_t>&, const Vec3&);
template Vec3 sampleGradient(const Volume<float>&, const Vec3&);

}  // namespace rayset
