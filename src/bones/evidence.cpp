#include "bones/evidence.h"

#include <tbb/combinable.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <cmath>
#include <memory>
#include <set>

#include "anatomy/section.h"
#include "base/median.h"
#include "image/filters.h"

namespace rayset::bones {
namespace {

constexpr double kNearMetalMm = 4.0;
constexpr double kAstrayMm = 1.5;
constexpr double kInsideMm = 1.0, kOutsideMm = 1.5;
constexpr double kGap = 0.1;  // a gap is darker than both its sides by this fraction of the contrast

/// True if the surface shows no edge there: outside is as bright as bone, and there is no gap, not even one that blur
/// has all but closed. `normal`: outward.
bool buriedAt(const ScanImage& scan, const Vec3& p, const Vec3& normal) {
  constexpr double kStep = 0.25, kReach = 3.0, kBefore = 0.75, kBeyond = 2.0;  // mm
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

/// Places of a surface that nothing in the image supports: bone on both sides, no gap, and no plates either. A joint
/// narrower than the blur shows no gap, but its two plates stand out as one bright sheet; a border drawn through
/// cancellous bone shows nothing. Both are faint against the noise, so profiles across the surface are averaged over
/// the part of the neighbourhood that faces the same way.
class Buried {
 public:
  Buried(const ScanImage& scan, const Surface& surface, const std::vector<Vec3>& normals)
      : scan_(scan),
        surface_(surface),
        normals_(normals),
        rings_(vertexRings(surface)),
        profiles_(surface.vertices.size()),
        seen_(surface.vertices.size(), kNever) {}

  [[nodiscard]] bool at(std::uint32_t v) {
    if (!buriedAt(scan_, surface_.vertices[v], normals_[v])) return false;
    const Profile p = around(v);
    const double contrast = scan_.levels.bright - scan_.levels.soft;
    return dip(p) < kGap * contrast && plates(p) < kPlates * contrast;
  }

 private:
  static constexpr double kStep = 0.25, kReach = 4.0;  // mm
  static constexpr std::size_t kMiddle = static_cast<std::size_t>(kReach / kStep), kCount = 2 * kMiddle + 1;
  static constexpr double kPatchMm = 2.0, kAlike = 0.8;
  // Plates are brighter than the cancellous bone on either side by this fraction of the contrast. In touching joints of
  // four people, nine in ten places show 0.6 or more; borders through cancellous bone mostly below 0.2.
  static constexpr double kPlates = 0.4;
  static constexpr std::uint32_t kNever = 0xffffffffU;
  using Profile = std::array<double, kCount>;  // from inside to outside

  static std::size_t index(double mm) { return static_cast<std::size_t>(std::lround((kReach + mm) / kStep)); }
  static double most(const Profile& p, double from, double to) {
    return *std::max_element(p.begin() + static_cast<std::ptrdiff_t>(index(from)),
                             p.begin() + static_cast<std::ptrdiff_t>(index(to)) + 1);
  }
  static double least(const Profile& p, double from, double to) {
    return *std::min_element(p.begin() + static_cast<std::ptrdiff_t>(index(from)),
                             p.begin() + static_cast<std::ptrdiff_t>(index(to)) + 1);
  }
  static double dip(const Profile& p) {
    constexpr double kNear = 0.75, kSide = 2.0;
    double deepest = 0;
    for (double t = -kNear; t <= kNear; t += kStep)
      deepest = std::max(deepest, std::min(most(p, t - kSide, t - kStep), most(p, t + kStep, t + kSide)) - p[index(t)]);
    return deepest;
  }
  static double plates(const Profile& p) {
    constexpr double kHalf = 1.25, kFrom = 1.5;
    return most(p, -kHalf, kHalf) - std::max(least(p, -kReach, -kFrom), least(p, kFrom, kReach));
  }
  const Profile& profile(std::uint32_t v) {
    auto& p = profiles_[v];
    if (p) return *p;
    p = std::make_unique<Profile>();
    for (std::size_t i = 0; i < kCount; ++i)
      (*p)[i] = static_cast<double>(scan_.grey.linear(
          surface_.vertices[v] + (static_cast<double>(i) - static_cast<double>(kMiddle)) * kStep * normals_[v]));
    return *p;
  }
  Profile around(std::uint32_t v) {
    Profile sum{};
    std::vector<std::uint32_t> patch{v};
    seen_[v] = v;
    for (std::size_t q = 0; q < patch.size(); ++q) {
      const Profile& p = profile(patch[q]);
      for (std::size_t i = 0; i < kCount; ++i) sum[i] += p[i];
      for (const std::uint32_t next : rings_.of(patch[q])) {
        if (seen_[next] == v || (surface_.vertices[next] - surface_.vertices[v]).norm() > kPatchMm ||
            normals_[next].dot(normals_[v]) < kAlike)
          continue;
        seen_[next] = v;
        patch.push_back(next);
      }
    }
    for (double& x : sum) x /= static_cast<double>(patch.size());
    return sum;
  }

  const ScanImage& scan_;
  const Surface& surface_;
  const std::vector<Vec3>& normals_;
  VertexRings rings_;
  std::vector<std::unique_ptr<Profile>> profiles_;
  std::vector<std::uint32_t> seen_;  // by which place a neighbour was last counted
};

/// Spread along against across: metatarsals 4 and more, tarsal bones below 2.
bool isLong(const PrincipalAxes& axes) { return axes.spread[0] >= 2.5 * axes.spread[1]; }

/// The more buried end of a long bone: the buried part of its surface that faces along the bone within 4 mm of that
/// end. 0 if the bone is not long.
double openEnd(const Surface& s, const std::vector<Vec3>& normals, const std::vector<double>& areas,
               const std::vector<std::uint8_t>& buried) {
  constexpr double kEndMm = 4.0, kFacing = 0.5;
  if (s.vertices.size() < 4) return 0;
  const PrincipalAxes axes = principalAxes(s.vertices);
  if (!isLong(axes)) return 0;
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

PerRay<double> lengthRatios(const PerRay<double>& lengths_mm, const PerRay<double>& usual_mm) {
  PerRay<double> against_usual;
  for (const auto& [ray, length] : lengths_mm)
    if (const double* usual = find(usual_mm, ray); usual != nullptr && length > 0 && *usual > 0)
      against_usual[ray] = length / *usual;
  PerRay<double> out;
  for (const auto& [ray, own] : against_usual) {
    std::vector<double> others;
    for (const auto& [other, ratio] : against_usual)
      if (other != ray) others.push_back(ratio);
    if (others.size() >= 2) out[ray] = own / median(std::move(others));
  }
  return out;
}

double denseInside(const ScanImage& scan, const std::vector<std::uint8_t>& labels, std::uint8_t label,
                   const Surface& surface, const NearestPoints* metal) {
  constexpr float kDeepMm = 3;
  constexpr double kDense = 1.3;        // times the level that the brighter half of the bone reaches, above soft tissue
  constexpr double kShaft = 0.3;        // a shaft begins this far from either end, as a fraction of the length
  constexpr double kBesideMetalMm = 8;  // how far streaks of metal reach
  const auto [low, high, voxels] = labelExtent(scan.grey, labels, label);
  if (voxels == 0 || surface.vertices.size() < 4) return 0;
  Grid grid;  // with an empty rim
  grid.size = high - low + Eigen::Vector3i::Constant(3);
  grid.spacing = Vec3::Constant(scan.grey.h);
  LabelVolume mask(grid);
  for (int k = low.z(); k <= high.z(); ++k)
    for (int j = low.y(); j <= high.y(); ++j)
      for (int i = low.x(); i <= high.x(); ++i)
        mask.at(i - low.x() + 1, j - low.y() + 1, k - low.z() + 1) = labels[scan.grey.offset(i, j, k)] == label ? 1 : 0;
  const FloatVolume outside = signedDistance(fillHoles(mask));
  const PrincipalAxes axes = principalAxes(surface.vertices);
  const Vec3 axis = axes.axes.col(0);
  const Extent length = extentAlong(surface, axis);
  const bool slender = isLong(axes);
  const double dense = scan.levels.soft + kDense * (scan.levels.bright - scan.levels.soft);
  std::size_t count = 0;
  for (int k = low.z(); k <= high.z(); ++k)
    for (int j = low.y(); j <= high.y(); ++j)
      for (int i = low.x(); i <= high.x(); ++i) {
        if (outside.at(i - low.x() + 1, j - low.y() + 1, k - low.z() + 1) > -kDeepMm) continue;
        const std::size_t n = scan.calm.offset(i, j, k);
        if (static_cast<double>(scan.calm.v[n]) < dense) continue;
        const Vec3 p = scan.calm.centre(n);
        const double at = (axis.dot(p) - length.from) / length.length();
        if (slender && at > kShaft && at < 1 - kShaft) continue;
        if (metal != nullptr && metal->nearest(p).distance < kBesideMetalMm) continue;
        ++count;
      }
  return static_cast<double>(count) * std::pow(scan.grey.h, 3);
}

TemplateEvidence surfaceEvidence(const ScanImage& scan, const RefinedSurface& refined, const Surface& bent,
                                 const NearestPoints* metal) {
  TemplateEvidence e;
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
  Buried hidden(scan, s, normals);
  std::vector<double> steps;
  std::size_t cut = 0, near_metal = 0;
  for (std::size_t v = 0; v < s.vertices.size(); ++v) {
    const Vec3& p = s.vertices[v];
    if (metal != nullptr && metal->nearest(p).distance < kNearMetalMm) ++near_metal;
    if (scan.nearScanBorder(p, 0.9)) {
      ++cut;
      continue;
    }
    if (hidden.at(static_cast<std::uint32_t>(v))) buried_mm2 += areas[v], buried[v] = 1;
    all_mm2 += areas[v];
    steps.push_back(static_cast<double>(scan.grey.linear(p - kInsideMm * normals[v])) -
                    static_cast<double>(scan.grey.linear(p + kOutsideMm * normals[v])));
  }
  e.buried = all_mm2 > 0 ? buried_mm2 / all_mm2 : 0;
  e.open_end = openEnd(s, normals, areas, buried);
  e.cut = part(cut, s.vertices.size());
  e.metal = part(near_metal, s.vertices.size());
  e.contrast = steps.empty() ? 0 : median(std::move(steps));
  if (bent.empty() || s.empty()) return e;
  // Vertex against vertex: both meshes are finer than 1.1 mm, which is fine enough to distinguish 1.5 mm from 0.
  const NearestPoints template_points(bent.vertices), own_points(s.vertices);
  std::size_t strayed = 0, missed = 0, seen = 0;
  const std::vector<Vec3> outward = vertexNormals(bent);
  for (std::size_t v = 0; v < s.vertices.size(); ++v) {
    const Vec3& p = s.vertices[v];
    if (scan.nearScanBorder(p, 0.9)) continue;
    const auto [nearest, distance] = template_points.nearest(p);
    if (distance > kAstrayMm) ++strayed;
    if (distance > kStandsOffMm && (p - bent.vertices[nearest]).dot(outward[nearest]) > 0) e.stands_off_mm2 += areas[v];
  }
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
