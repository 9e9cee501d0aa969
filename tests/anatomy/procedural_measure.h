// What the tests of the procedural foot measure on surfaces: joint gaps, facing faces, distances, sizes.
#pragma once

#include <algorithm>
#include <cmath>
#include <vector>

#include "anatomy/bones.h"
#include "anatomy/frames.h"
#include "anatomy/section.h"
#include "geometry/ray_caster.h"

namespace rayset::procedural_test {

/// The articulation of `bone` with `other`: its points whose normal meets `other` squarely within `reach_mm`.
struct Joint {
  std::vector<double> gaps_mm;  ///< sorted
  double area_mm2 = 0;          ///< of `bone` facing `other`
  Vec3 centre = Vec3::Zero();

  [[nodiscard]] double quantile(double q) const {
    if (gaps_mm.empty()) return std::nan("");
    return gaps_mm[static_cast<std::size_t>(q * static_cast<double>(gaps_mm.size() - 1))];
  }
};
inline Joint joint(const Surface& bone, const Surface& other, double reach_mm = 5.0, std::size_t samples = 6000) {
  const RayCaster caster({&other});
  Joint result;
  const auto points = sampleEvenly(bone, samples);
  for (const OrientedPoint& p : points) {
    const auto hit = caster.first(p.position, p.normal, 0, reach_mm);
    // Squarely: within 20 degrees of antiparallel, so that rounded rims do not count as articular.
    if (!hit || hit->normal.dot(p.normal) > -0.94) continue;
    result.gaps_mm.push_back(hit->distance);
    result.centre += p.position;
  }
  if (!result.gaps_mm.empty()) result.centre /= static_cast<double>(result.gaps_mm.size());
  result.area_mm2 = area(bone) * static_cast<double>(result.gaps_mm.size()) / static_cast<double>(points.size());
  std::sort(result.gaps_mm.begin(), result.gaps_mm.end());
  return result;
}

/// Least distance between two surfaces (vertex to triangle, both ways), or `limit_mm` when farther; negative when a
/// vertex of one lies inside the other.
inline double leastDistance(const Surface& a, const Surface& b, double limit_mm = 4.0) {
  double least = limit_mm;
  auto oneWay = [&least, limit_mm](const Surface& from, const Surface& to) {
    const Box box = bounds(to);
    const RayCaster caster({&to});
    for (const Vec3& v : from.vertices) {
      if (box.exteriorDistance(v) > limit_mm) continue;
      const auto hit = caster.nearest(v, limit_mm);
      if (!hit) {
        if (box.contains(v) && caster.inside(v)) least = -limit_mm;
        continue;
      }
      const bool inside = (v - hit->position).dot(hit->normal) < 0 && caster.inside(v);
      least = std::min(least, inside ? -hit->distance : hit->distance);
    }
  };
  oneWay(a, b);
  oneWay(b, a);
  return least;
}

/// Foot directions of the procedural right foot.
inline Vec3 distal() { return -Vec3::UnitY(); }
inline Vec3 medial() { return Vec3::UnitX(); }
inline Vec3 dorsal() { return Vec3::UnitZ(); }

inline MetatarsalAxis axisOf(const Foot& foot, Ray ray) {
  return metatarsalAxis(foot.bones.at(metatarsal(ray)), distal());
}

/// Radius, about `centre` and seen from above, of the most distal reach of a metatarsal.
inline double arcRadius(const Surface& bone, const Vec3& centre) {
  double radius = 0;
  for (const Vec3& v : bone.vertices) {
    if ((v - centre).dot(distal()) > 0) radius = std::max(radius, std::hypot(v.x() - centre.x(), v.y() - centre.y()));
  }
  return radius;
}
/// Protrusion of rays 1, 3, 4, 5 over the second, by arcs about the point where the axis of the second meets the tarsus
/// (Dominguez-Maldonado 2014): `second_radius` proximal to the second head's tip.
inline std::vector<double> protrusions(const Foot& foot, double second_radius) {
  const MetatarsalAxis second = axisOf(foot, Ray(2));
  Vec3 along(second.distal.x(), second.distal.y(), 0);
  along.normalize();
  const double tip = extentAlong(foot.bones.at(Bone::kM2), along).to;
  Vec3 centre = second.head_centre;
  centre += (tip - second_radius - centre.dot(along)) * along;
  const double reference = arcRadius(foot.bones.at(Bone::kM2), centre);
  std::vector<double> result;
  for (const Ray ray : {Ray(1), Ray(3), Ray(4), Ray(5)})
    result.push_back(arcRadius(foot.bones.at(metatarsal(ray)), centre) - reference);
  return result;
}

/// Extent along `direction` of the section by the plane through `point` across `normal`.
inline double sectionExtent(const Surface& bone, const Vec3& point, const Vec3& normal, const Vec3& direction) {
  const PlaneSection section = planeSection(bone, point, normal);
  double low = 1e9, high = -1e9;
  for (const Points& loop : section.loops) {
    for (const Vec3& p : loop) {
      low = std::min(low, p.dot(direction));
      high = std::max(high, p.dot(direction));
    }
  }
  return section.empty() ? 0.0 : high - low;
}

/// Depth of the second metatarsal's recess along its axis: from its base joint to the rim of the first (medial wall) or
/// third (lateral wall) tarsometatarsal joint beside it.
inline double mortiseDepth(const Foot& foot, bool medial_wall) {
  const MetatarsalAxis second = axisOf(foot, Ray(2));
  Vec3 along(second.distal.x(), second.distal.y(), 0);
  along.normalize();
  const Joint own = joint(foot.bones.at(Bone::kC2), foot.bones.at(Bone::kM2));
  const Surface& neighbour = foot.bones.at(medial_wall ? Bone::kC1 : Bone::kC3);
  // The neighbour's front beside the second ray, at the height of the second joint.
  const RayCaster caster({&neighbour});
  double front = -1e9;
  for (double aside = 4; aside <= 14; aside += 0.5) {
    for (double up : {-3.0, 0.0, 3.0}) {
      const Vec3 start = own.centre + 60 * along + (medial_wall ? aside : -aside) * medial() + up * dorsal();
      if (const auto hit = caster.first(start, -along)) front = std::max(front, hit->position.dot(along));
    }
  }
  return front - own.centre.dot(along);
}

/// Pairs of bones that articulate.
inline const std::vector<std::pair<Bone, Bone>>& jointPairs() {
  static const std::vector<std::pair<Bone, Bone>> pairs{
      {Bone::kM1, Bone::kC1},   {Bone::kM2, Bone::kC2},    {Bone::kM3, Bone::kC3},   {Bone::kM4, Bone::kCub},
      {Bone::kM5, Bone::kCub},  {Bone::kC1, Bone::kNav},   {Bone::kC2, Bone::kNav},  {Bone::kC3, Bone::kNav},
      {Bone::kC1, Bone::kC2},   {Bone::kC2, Bone::kC3},    {Bone::kC3, Bone::kCub},  {Bone::kM2, Bone::kM3},
      {Bone::kM3, Bone::kM4},   {Bone::kM4, Bone::kM5},    {Bone::kNav, Bone::kTal}, {Bone::kCub, Bone::kCal},
      {Bone::kTal, Bone::kCal}, {Bone::kTal, Bone::kTibia}};
  return pairs;
}

}  // namespace rayset::procedural_test
