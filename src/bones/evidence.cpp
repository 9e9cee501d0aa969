#include "bones/evidence.h"

#include <tbb/combinable.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <cmath>
#include <set>

#include "anatomy/section.h"

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

/// True where the place of the surface shows on neither side: what lies outside is as bright as bone, and there is no
/// gap, not even one that blur has all but closed. `normal`: outward.
bool buriedAt(const ScanImage& scan, const Vec3& p, const Vec3& normal) {
  constexpr double kStep = 0.25, kReach = 3.0, kBefore = 0.75, kBeyond = 2.0;  // mm
  constexpr double kGap = 0.1;  // a gap is darker than both its sides by this fraction of the contrast
  double least = 1e9, inside = -1e9, outside = -1e9, at_least = 0;
  for (double t = -kBefore; t <= kBeyond; t += kStep) {
    const auto v = static_cast<double>(scan.calm.linear(p + t * normal));
    if (v < least) least = v, at_least = t;
  }
  if (least < scan.levels.bone) return false;
  for (double t = -kReach; t <= kReach; t += kStep) {
    double& side = t < at_least ? inside : outside;
    side = std::max(side, static_cast<double>(scan.calm.linear(p + t * normal)));
  }
  return std::min(inside, outside) - least < kGap * (scan.levels.bright - scan.levels.soft);
}

/// Of a long bone the end that is more buried: the part of what faces along the bone within 4 mm of that end. 0 of a
/// bone that is not long.
double openEnd(const Surface& s, const std::vector<Vec3>& normals, const std::vector<double>& areas,
               const std::vector<std::uint8_t>& buried) {
  constexpr double kLong = 2.5;  // spread along against across: metatarsals 4 and more, tarsal bones below 2
  constexpr double kEndMm = 4.0, kFacing = 0.5;
  if (s.vertices.size() < 4) return 0;
  const PrincipalAxes axes = principalAxes(s.vertices);
  if (axes.spread[0] < kLong * axes.spread[1]) return 0;
  double most = 0;
  for (const double way : {-1.0, 1.0}) {
    const Vec3 axis = way * axes.axes.col(0);
    const double last = extentAlong(s, axis).to;
    double all = 0, bare = 0;
    for (std::size_t v = 0; v < s.vertices.size(); ++v) {
      if (axis.dot(s.vertices[v]) < last - kEndMm || axis.dot(normals[v]) < kFacing) continue;
      all += areas[v];
      if (buried[v]) bare += areas[v];
    }
    if (all > 0) most = std::max(most, bare / all);
  }
  return most;
}

/// A third of the area of its triangles, for every vertex.
std::vector<double> vertexAreas(const Surface& s) {
  std::vector<double> out(s.vertices.size(), 0.0);
  for (const auto& t : s.triangles) {
    const Vec3 a = s.vertices[t[0]], b = s.vertices[t[1]], c = s.vertices[t[2]];
    const double third = (b - a).cross(c - a).norm() / 6;
    for (const auto v : t) out[v] += third;
  }
  return out;
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

double longestExtent(const Surface& surface) {
  if (surface.vertices.size() < 4) return 0;
  return extentAlong(surface, principalAxes(surface.vertices).axes.col(0)).length();
}

std::array<double, 5> lengthRatios(const std::array<double, 5>& lengths_mm, const std::array<double, 5>& usual_mm) {
  std::array<double, 5> out{1, 1, 1, 1, 1};
  const auto known = [&](std::size_t r) { return lengths_mm[r] > 0 && usual_mm[r] > 0; };
  for (std::size_t r = 0; r < 5; ++r) {
    std::vector<double> others;
    for (std::size_t q = 0; q < 5; ++q)
      if (q != r && known(q)) others.push_back(lengths_mm[q] / usual_mm[q]);
    if (known(r) && others.size() >= 2) out[r] = lengths_mm[r] / usual_mm[r] / median(std::move(others));
  }
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
  const std::vector<double> areas = vertexAreas(s);
  double buried_mm2 = 0, all_mm2 = 0;
  std::vector<std::uint8_t> buried(s.vertices.size(), 0);
  std::vector<double> steps;
  std::size_t cut = 0, near_metal = 0;
  for (std::size_t v = 0; v < s.vertices.size(); ++v) {
    const Vec3& p = s.vertices[v];
    if (metal != nullptr && metal->nearest(p).distance < kNearMetalMm) ++near_metal;
    if (scan.nearScanBorder(p, 0.9)) {
      ++cut;
      continue;
    }
    if (buriedAt(scan, p, normals[v])) buried_mm2 += areas[v], buried[v] = 1;
    all_mm2 += areas[v];
    steps.push_back(static_cast<double>(scan.grey.linear(p - kInsideMm * normals[v])) -
                    static_cast<double>(scan.grey.linear(p + kOutsideMm * normals[v])));
  }
  e.buried = all_mm2 > 0 ? buried_mm2 / all_mm2 : 0;
  e.open_end = openEnd(s, normals, areas, buried);
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
