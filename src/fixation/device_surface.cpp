#include <cmath>
#include <numbers>

#include "fixation/device_outline.h"

namespace rayset {
namespace {

constexpr int kSides = 32;

// Closed solid swept through rings of increasing `along`; the ends are capped (or pointed).
Surface sweep(const std::vector<OutlineRing>& rings, const Vec3& origin, const Vec3& direction) {
  const Vec3 u = direction.unitOrthogonal(), v = direction.cross(u);
  Surface s;
  std::vector<std::uint32_t> start;
  const auto isPoint = [](const OutlineRing& r) { return r.wide <= 0 && r.narrow <= 0; };
  for (const OutlineRing& ring : rings) {
    start.push_back(static_cast<std::uint32_t>(s.vertices.size()));
    const int count = isPoint(ring) ? 1 : kSides;
    for (int k = 0; k < count; ++k) {
      const double angle = 2 * std::numbers::pi * k / kSides;
      s.vertices.push_back(origin + ring.along * direction + ring.wide * std::cos(angle) * u +
                           ring.narrow * std::sin(angle) * v);
    }
  }
  const auto at = [&](std::size_t ring, int k) {
    return isPoint(rings[ring]) ? start[ring] : start[ring] + static_cast<std::uint32_t>(k % kSides);
  };
  for (std::size_t r = 0; r + 1 < rings.size(); ++r) {
    for (int k = 0; k < kSides; ++k) {
      if (!isPoint(rings[r])) s.triangles.push_back({at(r, k), at(r, k + 1), at(r + 1, k)});
      if (!isPoint(rings[r + 1])) s.triangles.push_back({at(r, k + 1), at(r + 1, k + 1), at(r + 1, k)});
    }
  }
  const auto cap = [&](std::size_t ring, bool first) {
    if (isPoint(rings[ring])) return;
    const auto centre = static_cast<std::uint32_t>(s.vertices.size());
    s.vertices.push_back(origin + rings[ring].along * direction);
    for (int k = 0; k < kSides; ++k) {
      if (first)
        s.triangles.push_back({centre, at(ring, k + 1), at(ring, k)});
      else
        s.triangles.push_back({centre, at(ring, k), at(ring, k + 1)});
    }
  };
  cap(0, true);
  cap(rings.size() - 1, false);
  return s;
}

}  // namespace

Surface deviceSurface(const Device& device, const Catalogue& catalogue) {
  return sweep(outlineRings(device, catalogue.find(device.type)), device.entry, device.direction);
}

}  // namespace rayset
