#include "image/volume.h"

#include "image/sample.h"

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
  return sampleLinearAt(volume, volume.grid.toIndex(p), outside);
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
