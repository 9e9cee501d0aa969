#include "bones/evidence.h"

#include <tbb/combinable.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <cmath>
#include <set>

namespace rayset::bones {
namespace {

constexpr double kNearMetalMm = 4.0;
constexpr double kAstrayMm = 1.5;
constexpr double kInsideMm = 1.0, kOutsideMm = 1.5;

double median(std::vector<double> values) {
  if (values.empty()) return 0;
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  return *middle;
}

}  // namespace

Points metalPoints(const ScanImage& scan) {
  // Single bright voxels are noise on dense cortex; metal fills its neighbours too, so the smoothed image decides.
  using Cells = std::set<std::array<int, 3>>;
  tbb::combinable<Cells> found;
  tbb::parallel_for(0, scan.calm.size.z(), [&](int k) {
    for (int j = 0; j < scan.calm.size.y(); ++j)
      for (int i = 0; i < scan.calm.size.x(); ++i)
        if (static_cast<double>(scan.calm.v[scan.calm.offset(i, j, k)]) > kMetalHu)
          found.local().insert({static_cast<int>(i * scan.calm.h), static_cast<int>(j * scan.calm.h),
                                static_cast<int>(k * scan.calm.h)});
  });
  Cells cells;
  found.combine_each([&](Cells& some) { cells.merge(some); });
  Points out;
  for (const auto& c : cells) out.push_back(Vec3(c[0] + 0.5, c[1] + 0.5, c[2] + 0.5));
  return out;
}

BoneEvidence surfaceEvidence(const ScanImage& scan, const RefinedSurface& refined, const Surface& bent,
                             const NearestPoints* metal) {
  BoneEvidence e;
  e.outline = refined.supported;
  e.noise = scan.levels.noise;
  const Surface& s = refined.surface;
  const std::vector<Vec3> normals = vertexNormals(s);
  const auto part = [](std::size_t some, std::size_t all) {
    return all > 0 ? static_cast<double>(some) / static_cast<double>(all) : 0.0;
  };
  std::vector<double> steps;
  std::size_t cut = 0, near_metal = 0;
  for (std::size_t v = 0; v < s.vertices.size(); ++v) {
    const Vec3& p = s.vertices[v];
    if (metal != nullptr && metal->nearest(p).distance < kNearMetalMm) ++near_metal;
    if (scan.nearScanBorder(p, 0.9)) {
      ++cut;
      continue;
    }
    steps.push_back(static_cast<double>(scan.grey.linear(p - kInsideMm * normals[v])) -
                    static_cast<double>(scan.grey.linear(p + kOutsideMm * normals[v])));
  }
  e.cut = part(cut, s.vertices.size());
  e.metal = part(near_metal, s.vertices.size());
  e.contrast = median(std::move(steps));
  if (bent.empty() || s.empty()) return e;
  // Vertex against vertex: both meshes are finer than 1.1 mm, which is fine enough to tell 1.5 mm from 0.
  const NearestPoints template_points(bent.vertices), own_points(s.vertices);
  std::size_t strayed = 0, missed = 0, seen = 0;
  for (const Vec3& p : s.vertices)
    if (!scan.nearScanBorder(p, 0.9) && template_points.nearest(p).distance > kAstrayMm) ++strayed;
  for (const Vec3& p : bent.vertices) {
    if (scan.grey.depth(p) < 1 || scan.nearScanBorder(p, 1.5)) continue;
    ++seen;
    if (own_points.nearest(p).distance > kAstrayMm) ++missed;
  }
  e.strayed = part(strayed, s.vertices.size() - cut);
  e.missed = part(missed, seen);
  return e;
}

}  // namespace rayset::bones
