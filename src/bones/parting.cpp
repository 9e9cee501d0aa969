#include "bones/parting.h"

#include <tbb/blocked_range.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <cmath>
#include <memory>

#include "geometry/ray_caster.h"

namespace rayset::bones {
namespace {

constexpr double kDeepestMm = 4.0;
constexpr double kClearMm = 0.02;    ///< gap left between separated surfaces
constexpr double kShallowMm = 0.05;  ///< not worth another round
constexpr int kRounds = 5;

}  // namespace

std::vector<std::vector<double>> partSurfaces(const std::vector<Surface*>& surfaces) {
  using Range = tbb::blocked_range<std::size_t>;
  const std::size_t count = surfaces.size();
  std::vector<std::vector<Vec3>> push(count);
  std::vector<std::vector<Vec3>> before(count);
  std::vector<std::unique_ptr<RayCaster>> casters(count);
  std::vector<VertexRings> rings(count);
  std::vector<Box> boxes(count);
  std::vector<std::uint8_t> moved(count, 1);
  for (std::size_t s = 0; s < count; ++s) before[s] = surfaces[s]->vertices;
  for (int round = 0; round < kRounds; ++round) {
    tbb::parallel_for(std::size_t{0}, count, [&](std::size_t s) {
      if (moved[s] == 0) return;
      casters[s] = std::make_unique<RayCaster>(std::vector<const Surface*>{surfaces[s]});
      boxes[s] = bounds(*surfaces[s]);
      if (round == 0) rings[s] = vertexRings(*surfaces[s]);
    });
    std::vector<std::uint8_t> still(count, 0);
    tbb::parallel_for(std::size_t{0}, count, [&](std::size_t s) {
      const std::vector<Vec3>& vertices = surfaces[s]->vertices;
      push[s].assign(vertices.size(), Vec3::Zero());
      for (std::size_t o = 0; o < count; ++o) {
        if (o == s || (moved[s] == 0 && moved[o] == 0) || !boxes[s].intersects(boxes[o])) continue;
        std::vector<std::uint8_t> hit(vertices.size(), 0);
        tbb::parallel_for(Range(0, vertices.size()), [&](const Range& range) {
          for (std::size_t v = range.begin(); v != range.end(); ++v) {
            if (!boxes[o].contains(vertices[v]) || !casters[o]->inside(vertices[v])) continue;
            const auto nearest = casters[o]->nearest(vertices[v], kDeepestMm);
            if (!nearest) continue;
            if (nearest->distance < kShallowMm) continue;
            // Half of the way each, and slightly more. What then remains is between the other surface's vertices, where
            // it has none to move.
            const double share = round < 2 ? 0.5 : 1.0;
            const Vec3 way = nearest->position - vertices[v];
            const Vec3 out = way.norm() > 1e-9 ? Vec3(way.normalized()) : nearest->normal;
            const Vec3 by = share * (way + kClearMm * out);
            if (by.norm() > push[s][v].norm()) push[s][v] = by;
            hit[v] = 1;
          }
        });
        if (std::find(hit.begin(), hit.end(), 1) != hit.end()) still[s] = 1;
      }
      if (still[s] == 0) return;
      // Neighbours follow, less with every ring; a vertex that has to move moves at least as far as it must.
      std::vector<Vec3> next = push[s];
      for (int sweep = 0; sweep < 3; ++sweep) {
        for (std::size_t v = 0; v < vertices.size(); ++v) {
          const auto ring = rings[s].of(v);
          if (ring.empty()) continue;
          Vec3 mean = Vec3::Zero();
          for (const std::uint32_t r : ring) mean += push[s][r];
          mean *= 0.8 / static_cast<double>(ring.size());
          if (mean.squaredNorm() > push[s][v].squaredNorm()) next[v] = mean;
        }
        push[s] = next;
      }
    });
    // Nothing moves until all have been examined.
    for (std::size_t s = 0; s < count; ++s) {
      moved[s] = still[s];
      if (still[s] == 0) continue;
      for (std::size_t v = 0; v < push[s].size(); ++v) surfaces[s]->vertices[v] += push[s][v];
    }
    if (std::find(still.begin(), still.end(), 1) == still.end()) break;
  }
  std::vector<std::vector<double>> out(count);
  for (std::size_t s = 0; s < count; ++s) {
    out[s].resize(before[s].size());
    for (std::size_t v = 0; v < before[s].size(); ++v) out[s][v] = (surfaces[s]->vertices[v] - before[s][v]).norm();
  }
  return out;
}

}  // namespace rayset::bones
