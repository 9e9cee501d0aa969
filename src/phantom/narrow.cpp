#include "phantom/narrow.h"

#include <tbb/blocked_range.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <cmath>

#include "geometry/ray_caster.h"

namespace rayset {

BoneSurfaces withJointSpace(const BoneSurfaces& bones, double space_mm) {
  constexpr double kWhole = 3.0, kNone = 4.5;  // mm apart: extent of a joint, and where movement ends
  constexpr double kFacing = -0.5;             // cosine between the normals of borders that face each other
  constexpr int kRounds = 3;                   // nearest points change a little as the borders move
  BoneSurfaces out = bones;
  std::map<Bone, std::vector<double>> share;  // how far a vertex belongs to a joint, 0 to 1, in the original bones
  for (int round = 0; round < kRounds; ++round) {
    const BoneSurfaces now = out;
    for (auto& entry : out) {
      const Bone id = entry.first;
      Surface& surface = entry.second;
      std::vector<const Surface*> others;
      Box reach = bounds(now.at(id));
      reach.min() -= Vec3::Constant(kNone);
      reach.max() += Vec3::Constant(kNone);
      for (const auto& [other, s] : now)
        if (other != id && bounds(s).intersects(reach)) others.push_back(&s);
      auto& part = share[id];
      part.resize(surface.vertices.size(), 0.0);
      if (others.empty()) continue;
      const RayCaster caster(others);
      const std::vector<Vec3> normals = vertexNormals(now.at(id));
      tbb::parallel_for(tbb::blocked_range<std::size_t>(0, surface.vertices.size()), [&](const auto& range) {
        for (std::size_t v = range.begin(); v != range.end(); ++v) {
          if (round > 0 && part[v] == 0) continue;
          const Vec3 at = now.at(id).vertices[v];
          const auto nearest = caster.nearest(at, kNone);
          if (!nearest || nearest->normal.dot(normals[v]) > kFacing) continue;
          // Towards the other border along both normals; negative where the two overlap.
          const Vec3 way = (normals[v] - nearest->normal).normalized();
          const double apart = (nearest->position - at).dot(way);
          if (round == 0) part[v] = std::clamp((kNone - apart) / (kNone - kWhole), 0.0, 1.0);
          surface.vertices[v] += 0.5 * part[v] * (apart - space_mm) * way;
        }
      });
    }
  }
  return out;
}

}  // namespace rayset
