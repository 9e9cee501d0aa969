#include "reduction/faces.h"

#include <algorithm>
#include <cmath>
#include <numbers>

#include "geometry/ray_caster.h"

namespace rayset::reduction {
namespace {

constexpr double kFacingMm = 3.5;  // surfaces farther apart than this are not treated as one joint

/// Points all over a bone's surface, and the area each represents.
struct Skin {
  std::vector<OrientedPoint> points;
  double each_mm2 = 0;
};
Skin skinOf(const Surface& bone) {
  const double mm2 = area(bone);
  Skin out;
  out.points = sampleEvenly(bone, static_cast<std::size_t>(std::clamp(mm2 * 1.2, 200.0, 8000.0)));
  out.each_mm2 = mm2 / static_cast<double>(out.points.size());
  return out;
}

/// The edge of a joint's face: where the gap is this much wider than at its narrowest tenth. Nothing if too few points
/// face each other.
std::optional<double> rimOf(const std::vector<DockPoint>& points, double wider_mm) {
  std::vector<double> gaps;
  for (const DockPoint& p : points)
    if (p.weight > 0) gaps.push_back(p.gap);
  if (gaps.size() < 10) return std::nullopt;
  const auto narrow = static_cast<std::ptrdiff_t>(gaps.size() / 10);
  std::nth_element(gaps.begin(), gaps.begin() + narrow, gaps.end());
  return gaps[static_cast<std::size_t>(narrow)] + wider_mm;
}

/// Moves the gaps this far (0 to 1) towards their mean.
void evenOut(std::vector<DockPoint>& points, double even) {
  double sum = 0, total = 0;
  for (const DockPoint& p : points) {
    sum += p.weight * p.gap;
    total += p.weight;
  }
  if (total <= 0) return;
  for (DockPoint& p : points)
    if (p.weight > 0) p.gap += even * (sum / total - p.gap);
}

}  // namespace

double proximalEnd(const Surface& bone, const Vec3& axis) {
  double least = 1e30;
  for (const Vec3& v : bone.vertices) least = std::min(least, v.dot(axis));
  return least;
}

std::vector<DockPoint> ownFacePoints(const Patient& patient, Bone body, const Vec3& toward, const Vec3& along,
                                     const Tuning& tuning) {
  std::vector<DockPoint> out;
  const Surface& mine = patient.bones->at(body);
  const auto [samples, each] = skinOf(mine);
  const bool is_ray = rayOf(body).has_value();
  const double end = is_ray ? proximalEnd(mine, along) : -proximalEnd(mine, -along);
  for (const auto& s : samples) {
    const double depth = is_ray ? s.position.dot(along) - end : end - s.position.dot(along);
    if (depth > kBaseRegionMm) continue;
    DockPoint p;
    p.position = s.position;
    p.guard = each / tuning.area_mm2;
    p.gap = tuning.own_gap_mm;
    if (depth < 14) p.weight = std::clamp((s.normal.dot(toward) - 0.4) / 0.3, 0.0, 1.0) * each / tuning.area_mm2;
    out.push_back(p);
  }
  return out;
}

std::vector<DockPoint> facingPoints(const Patient& patient, Bone body, Bone onto, const Rigid& X_body,
                                    const Rigid& X_onto, const Vec3* distal, const Tuning& tuning, double gap) {
  std::vector<DockPoint> out;
  const Surface& mine = patient.bones->at(body);
  const DistanceField& field = patient.fields.at(onto);
  const auto [samples, each] = skinOf(mine);
  const double end = distal ? proximalEnd(mine, *distal) : 0;
  const Rigid X = X_onto.inverse() * X_body;
  for (const auto& s : samples) {
    if (distal && s.position.dot(*distal) - end > kBaseRegionMm) continue;
    const auto at = field.sample(X * s.position);
    if (at.distance >= field.band()) continue;
    DockPoint p;
    p.position = s.position;
    p.guard = each / tuning.area_mm2;
    p.gap = at.distance;
    if (at.distance < kFacingMm) {
      const double facing = -at.gradient.dot(X.linear() * s.normal);
      p.weight = std::clamp((facing - 0.5) / 0.3, 0.0, 1.0) * each / tuning.area_mm2;
    }
    out.push_back(p);
  }
  const double rim = rimOf(out, tuning.own_rim_mm).value_or(kFacingMm);
  for (DockPoint& p : out) {
    p.weight *= std::clamp((rim - p.gap) / 0.8, 0.0, 1.0);
    p.gap = gap;
  }
  return out;
}

std::vector<DockPoint> facePoints(const Patient& patient, const Atlas& atlas, Bone body, Bone onto, const Vec3* distal,
                                  const Tuning& tuning) {
  std::vector<DockPoint> out;
  const Surface& mine = patient.bones->at(body);
  const auto [samples, each] = skinOf(mine);
  const RayCaster atlas_body({&atlas.bones.at(body)});
  const RayCaster atlas_onto({&atlas.bones.at(onto)});
  const AtlasMap& map = atlas.maps.at(body);
  const double size = std::exp(map.log_scale.mean());
  const double end = distal ? proximalEnd(mine, *distal) : 0;
  for (const auto& s : samples) {
    if (distal && s.position.dot(*distal) - end > kBaseRegionMm) continue;
    const auto on_body = atlas_body.nearest(map.inverse(s.position), 6);
    if (!on_body) continue;
    const auto across = atlas_onto.nearest(on_body->position, 8);
    if (!across) continue;
    DockPoint p;
    p.position = s.position;
    const Vec3 way = across->position - on_body->position;
    const double gap = way.norm();
    const double facing = gap > 1e-6 ? on_body->normal.dot(way) / gap : 1;
    const double opposed = -on_body->normal.dot(across->normal);
    p.guard = each / tuning.area_mm2;
    p.gap = gap;
    p.weight = gap < tuning.face_gap_mm && facing > 0.5 && opposed > 0.5 ? each / tuning.area_mm2 : 0;
    out.push_back(p);
  }
  // The joint itself is where the gap is narrow; where it opens, the bones merely happen to face each other (as the
  // fifth base does the cuboid), and pulling them together there would tilt the ray.
  const double rim = std::min(tuning.face_gap_mm, rimOf(out, tuning.rim_mm).value_or(tuning.face_gap_mm));
  for (DockPoint& p : out) {
    // Fades out towards the rim so that the border of the face does not depend on single samples.
    p.weight *= std::clamp((rim - p.gap) / std::min(0.8, 0.6 * tuning.rim_mm), 0.0, 1.0);
    p.gap *= tuning.scale ? size : 1;
  }
  // The fifth base does not lie flat on the cuboid or on the fourth: its gaps widen as they do in the atlas.
  const double even = body == Bone::kM5 || onto == Bone::kM5 ? tuning.even_fifth : tuning.even;
  evenOut(out, even);
  return out;
}

std::optional<GapPlane> gapPlane(const std::vector<DockPoint>& points, const Rigid& X, const Frame& frame,
                                 Bone metatarsal, Bone other, double gap, const JointNorms& norms,
                                 const Tuning& tuning) {
  GapPlane plane;
  double total = 0;
  for (const DockPoint& p : points) {
    plane.middle += p.weight * p.position;
    total += p.weight;
  }
  if (total <= 0) return std::nullopt;
  plane.middle /= total;
  plane.first = X.linear().transpose() * frame.dorsal;
  plane.second = X.linear().transpose() * frame.medial;
  plane.mean = {gap, 0, 0};  // people's average tilts give larger errors than none
  plane.spread = {tuning.gap_sd_mm, tuning.tilt_sd, tuning.tilt_sd};
  const Ray ray = *rayOf(metatarsal);
  if (const Norm* over = find(norms.gap_mm, ray); over != nullptr && other == tarsalPartner(ray))
    plane.spread << over->spread, norms.dorsal_tilt_rad.at(ray).spread, norms.medial_tilt_rad.at(ray).spread;
  plane.spread *= std::numbers::sqrt2;
  return plane;
}

}  // namespace rayset::reduction
