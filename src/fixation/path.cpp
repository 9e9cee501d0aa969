#include "fixation/path.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <numbers>

namespace rayset::path {
namespace {

constexpr double kCrackMm = 1.5;  // along the axis; wider gaps between a bone and its fragment end the path
/// The reach of a face: the gap's width where it is narrow, plus this, as faces are not parallel. The least reach is
/// the one that closed joints have always had.
constexpr double kFaceBeyondMm = 1.2, kLeastReachMm = 2.5;
/// The closing bridges the widest gap of a face plus this, so that its waist stays thin.
constexpr double kBridgeMm = 0.75;
/// A skin point this much nearer than the nearest point of a face is not on the face (grids and triangles are off by
/// less).
constexpr double kBesideFaceMm = 0.3;

template <class Take>  // called with area (mm2), centre and unit normal of each triangle that faces `other`, its
                       // distance
void eachFacing(const Solid& bone, const Solid& other, double reach_mm, const Take& take) {
  for (const Part& part : bone.parts) {
    for (const auto& t : part.surface->triangles) {
      const Vec3 &a = part.surface->vertices[t[0]], &b = part.surface->vertices[t[1]],
                 &c = part.surface->vertices[t[2]];
      const Vec3 centre = (a + b + c) / 3;
      const double distance = other.distance(centre);
      if (distance > reach_mm) continue;
      const Vec3 twice_area = (b - a).cross(c - a);
      const double area = twice_area.norm() / 2;
      if (area <= 0) continue;
      const Vec3 normal = twice_area / (2 * area);
      if (-normal.dot(other.gradient(centre)) < 0.3) continue;
      take(area, centre, normal, distance, t, part);
    }
  }
}

// The triangles of a face only: open, for nearest distances.
Surface faceSurface(const Solid& bone, const Solid& other, double reach_mm) {
  Surface out;
  eachFacing(bone, other, reach_mm, [&](double, const Vec3&, const Vec3&, double, const auto& t, const Part& part) {
    const auto n = static_cast<std::uint32_t>(out.vertices.size());
    for (const std::uint32_t v : t) out.vertices.push_back(part.surface->vertices[v]);
    out.triangles.push_back({n, n + 1, n + 2});
  });
  return out;
}

// Whether two parts of a bone (a fragment and the rest) lie close to the point: the gap between them is a crack, not
// cortex.
bool atCrack(const Solid& bone, const Vec3& p, double within) {
  if (bone.parts.size() < 2) return false;
  int near = 0;
  for (const Part& part : bone.parts) near += part.field->value(p) < within ? 1 : 0;
  return near > 1;
}

}  // namespace

double Solid::distance(const Vec3& p) const {
  double d = std::numeric_limits<double>::max();
  for (const Part& part : parts) d = std::min(d, part.field->value(p));
  return d;
}

Vec3 Solid::gradient(const Vec3& p) const {
  DistanceField::Sample best{std::numeric_limits<double>::max(), Vec3::Zero()};
  for (const Part& part : parts) {
    const auto s = part.field->sample(p);
    if (s.distance < best.distance) best = s;
  }
  return best.gradient;
}

Face facingFace(const Solid& bone, const Solid& other, double reach_mm) {
  Face face;
  eachFacing(bone, other, reach_mm,
             [&](double area, const Vec3& centre, const Vec3& normal, double, const auto&, const Part&) {
               face.area_mm2 += area;
               face.centre += area * centre;
               face.normal += area * normal;
               face.points.push_back({centre, normal});
             });
  if (face.area_mm2 > 0) {
    face.centre /= face.area_mm2;
    face.normal.normalize();
  }
  return face;
}

std::optional<double> closeGap(const Solid& bone, const Solid& other) {
  std::vector<std::pair<double, double>> gaps;  // distance, area
  double total = 0;
  eachFacing(bone, other, kWidestMm,
             [&](double area, const Vec3&, const Vec3&, double distance, const auto&, const Part&) {
               gaps.emplace_back(distance, area);
               total += area;
             });
  if (gaps.empty()) return std::nullopt;
  std::sort(gaps.begin(), gaps.end());
  double sum = 0;
  for (const auto& [distance, area] : gaps)
    if ((sum += area) >= total / 4) return distance;
  return gaps.back().first;
}

double Space::obstacleDistance(const Vec3& p) const {
  double d = kBandMm;
  for (const Obstacle& o : obstacles) d = std::min(d, o.field->value(p) - o.error_mm);
  return d;
}

std::optional<Space> makeSpace(Solid first, Solid last, std::vector<Space::Obstacle> obstacles, double reach_mm) {
  Space space;
  const auto gap_first = closeGap(first, last), gap_last = closeGap(last, first);
  if (!gap_first || !gap_last) return std::nullopt;
  const double reach = std::clamp(std::max(*gap_first, *gap_last) + kFaceBeyondMm, kLeastReachMm, kWidestMm);
  space.first_face = facingFace(first, last, reach);
  space.last_face = facingFace(last, first, reach);
  if (space.first_face.empty() || space.last_face.empty()) return std::nullopt;
  space.closing = reach / 2 + kBridgeMm;
  space.face_centre = (space.first_face.centre + space.last_face.centre) / 2;
  space.face_normal = (space.first_face.normal - space.last_face.normal).normalized();

  Box box;
  for (const Solid* solid : {&first, &last}) {
    for (const Part& part : solid->parts) {
      for (const Vec3& v : part.surface->vertices)
        if (solid == &last || (v - space.face_centre).norm() < reach_mm) box.extend(v);
    }
  }
  const Vec3 border = Vec3::Constant(space.closing + 2 * kOuterVoxelMm);
  box = Box(Vec3(box.min() - border), Vec3(box.max() + border));
  const double closing = space.closing;
  const DistanceField dilated(box, kOuterVoxelMm, kBandMm - closing,
                              [&](const Vec3& p) { return std::min(first.distance(p), last.distance(p)) - closing; });
  // Peel the same amount off again: depth below the dilated skin, less the closing. Distances are exact at the points
  // inside; the others only have to be outside. Then the cortex beside the faces is restored.
  const Surface skin = isosurface(dilated, 0);
  const RayCaster skin_mesh({&skin});
  const Surface first_patch = faceSurface(first, last, reach), last_patch = faceSurface(last, first, reach);
  const RayCaster first_patch_mesh({&first_patch}), last_patch_mesh({&last_patch});
  space.outer = DistanceField(box, kOuterVoxelMm, kOuterBandMm, [&](const Vec3& p) {
    if (dilated.value(p) >= 0) return kOuterBandMm;
    const auto nearest = skin_mesh.nearest(p, kOuterBandMm + closing);
    const double closed = closing - (nearest ? nearest->distance : kOuterBandMm + closing);
    const double to_first = first.distance(p), to_last = last.distance(p);
    // Whether the nearest part of a bone's skin is cortex, not its face (nor the crack of a fracture).
    const auto cortex = [&](const Solid& bone, double distance, const RayCaster& patch) {
      return std::abs(distance) < kBandMm && !atCrack(bone, p, 2 * closing) &&
             !patch.nearest(p, std::abs(distance) + kBesideFaceMm);
    };
    if (to_first < 0 && to_last < 0) return closed;
    if (to_first < 0) return cortex(first, to_first, first_patch_mesh) ? std::max(closed, to_first) : closed;
    if (to_last < 0) return cortex(last, to_last, last_patch_mesh) ? std::max(closed, to_last) : closed;
    // In neither: in the joint only if it lies over both faces.
    if (cortex(first, to_first, first_patch_mesh) || cortex(last, to_last, last_patch_mesh))
      return std::max(closed, std::min(to_first, to_last));
    return closed;
  });

  for (Solid* solid : {&first, &last}) {
    std::vector<const Surface*> surfaces;
    for (const Part& part : solid->parts) surfaces.push_back(part.surface);
    (solid == &first ? space.first_mesh : space.last_mesh) = std::make_unique<RayCaster>(surfaces);
  }
  space.first = std::move(first);
  space.last = std::move(last);
  space.obstacles = std::move(obstacles);
  return space;
}

double entryZone(double radius, double depth_mm, double surface_angle) {
  return std::clamp((radius + depth_mm) / std::max(0.1, std::sin(surface_angle)), 2.0, 10.0);
}

Vec3 cortexNormal(const Space& space, const Vec3& entry) {
  const Vec3 n0 = space.first.gradient(entry).normalized();
  const Vec3 u = n0.unitOrthogonal(), v = n0.cross(u);
  Vec3 sum = n0;
  for (const auto& [a, b] : {std::pair{1.5, 0.0}, {-1.5, 0.0}, {0.0, 1.5}, {0.0, -1.5}})
    sum += space.first.gradient(entry + a * u + b * v).normalized();
  const double length = sum.norm();
  return length > 1e-9 ? Vec3(sum / length) : n0;
}

Reading read(const Space& space, const Vec3& entry, const Vec3& direction, const Tool& tool, double step) {
  Reading r;
  r.normal = cortexNormal(space, entry);
  r.surface_angle = std::asin(std::clamp(-r.normal.dot(direction), -1.0, 1.0));
  if (r.surface_angle < 0.17) return r;  // under 10 degrees the drill slides off
  const double zone = entryZone(tool.radius, tool.wanted_margin + kRampMm, r.surface_angle);
  const auto at = [&](double t) { return Vec3(entry + t * direction); };

  // Through the first bone. The first millimetre is the cortex itself.
  double t = 1, before = space.first.distance(at(t));
  if (before > 0) return r;
  for (;;) {
    t += step;
    if (t > tool.longest) return r;
    const double d = space.first.distance(at(t));
    if (d >= 0) {
      r.leave = t - step * d / (d - before);
      // A crack between the bone and its own fragment is not the end of the bone.
      double back = 0;
      for (double ahead = r.leave + 0.1; ahead < r.leave + kCrackMm && back == 0; ahead += 0.2) {
        if (space.last.distance(at(ahead)) < 0) break;
        if (space.first.distance(at(ahead)) < 0) back = ahead;
      }
      if (back == 0) break;
      t = back;
      before = space.first.distance(at(t));
      continue;
    }
    before = d;
  }
  // Across the gap.
  t = r.leave;
  before = space.last.distance(at(t));
  if (before >= 0) {
    for (;;) {
      t += step / 2;
      if (t > r.leave + 2 * space.closing + 2 || t > tool.longest) return r;
      const double d = space.last.distance(at(t));
      if (space.outer.value(at(t)) > 0) return r;  // leaves the bones beside the joint
      if (d < 0) {
        r.enter = t - step / 2 * d / (d - before);
        break;
      }
      before = d;
    }
  } else {
    r.enter = r.leave;  // faces overlap a little
  }
  r.crossing = at((r.leave + r.enter) / 2);
  // Into the last bone, as deep as there is room for the whole shaft.
  t = r.enter;
  const auto roomAt = [&](double depth) {
    return discRoom(space, entry, direction, tool.radius, tool.end_clearance, depth);
  };
  double before_room = roomAt(t);
  bool room = before_room >= 0;
  r.usable = r.enter;
  while (t < tool.longest) {
    t += step;
    const double now = roomAt(t);
    const bool left = space.last.distance(at(t)) > 0;
    if (now < 0 || left) {
      if (room) {
        if (now < 0) r.usable = t - step * now / (now - std::max(0.0, before_room));
        break;
      }
      if (left || t > r.enter + 6) return r;
    } else {
      room = true;
      r.usable = t;
    }
    before_room = now;
  }
  if (!room) return r;
  r.crosses = true;

  if (step <= 0.5) r.grazes = grazing(space, entry, direction, tool.radius, zone);
  r.entry_room =
      discRoom(space, entry, direction, tool.radius, 0, entryZone(tool.radius, tool.wanted_margin, r.surface_angle));
  r.margin = marginOver(space, entry, direction, tool.radius, zone, std::max(zone, r.usable - 2 * tool.radius), step);
  r.other = kBandMm;
  for (double s = 0; s <= r.usable; s += 2 * step)
    r.other = std::min(r.other, space.obstacleDistance(at(s)) - tool.radius);
  // Outside: the sleeve is held off the bone it enters, so the two bones count only from twice the corridor's radius.
  r.outside = kBandMm;
  for (double s = 3; s <= 45; s += 3) {
    const Vec3 p = at(-s);
    double d = space.obstacleDistance(p);
    if (s > 2 * tool.corridor + 3) d = std::min({d, space.first.distance(p), space.last.distance(p)});
    r.outside = std::min(r.outside, d - tool.corridor);
  }
  return r;
}

double grazing(const Space& space, const Vec3& entry, const Vec3& direction, double radius, double to) {
  constexpr double kStep = 0.3;
  const Vec3 u = radius * direction.unitOrthogonal(), v = direction.cross(u);
  double longest = 0;
  for (int k = 0; k < 12; ++k) {
    const double angle = std::numbers::pi / 6 * k;
    const Vec3 line = entry + std::cos(angle) * u + std::sin(angle) * v;
    double went_under = 0, out_since = -1;
    bool under = false;
    for (double t = 0; t <= to; t += kStep) {
      if (space.first.distance(line + t * direction) < 0) {
        if (out_since >= 0) longest = std::max(longest, t - out_since);
        out_since = -1;
        if (!under) went_under = t;
        under = true;
      } else if (under && out_since < 0 && t > went_under) {
        out_since = t;
      }
    }
  }
  return longest;
}

double discRoom(const Space& space, const Vec3& entry, const Vec3& direction, double radius, double clearance,
                double t) {
  const Vec3 centre = entry + t * direction;
  const double ball = -space.outer.value(centre) - radius - clearance;
  if (ball >= 0) return ball;
  const Vec3 u = radius * direction.unitOrthogonal(), v = direction.cross(u);
  double room = -space.outer.value(centre) - clearance;
  for (int k = 0; k < 12 && room >= -1; ++k) {
    const double angle = std::numbers::pi / 6 * k;
    room = std::min(room, -space.outer.value(centre + std::cos(angle) * u + std::sin(angle) * v) - clearance);
  }
  return room;
}

double marginOver(const Space& space, const Vec3& entry, const Vec3& direction, double radius, double from, double to,
                  double step) {
  double margin = kBandMm;
  const int steps = std::max(1, static_cast<int>(std::ceil((to - from) / step)));
  for (int i = 0; i <= steps; ++i) {
    const double t = from + (to - from) * i / steps;
    margin = std::min(margin, -space.outer.value(entry + t * direction) - radius);
  }
  return margin;
}

std::optional<Vec3> exactEntry(const Space& space, const Vec3& near, const Vec3& direction) {
  constexpr double kBack = 12;
  std::optional<Vec3> best;
  double least = 4;  // beyond that it is another part of the bone
  for (const auto& hit : space.first_mesh->all(near - kBack * direction, direction, 2 * kBack)) {
    if (hit.entering && std::abs(hit.distance - kBack) < least) {
      least = std::abs(hit.distance - kBack);
      best = hit.position;
    }
  }
  return best;
}

double segmentDistance(const Segment& s, const Segment& t) {
  const Vec3 d1 = s.b - s.a, d2 = t.b - t.a, r = s.a - t.a;
  const double a = d1.squaredNorm(), e = d2.squaredNorm(), f = d2.dot(r), c = d1.dot(r), b = d1.dot(d2);
  double x = 0, y = 0;
  if (a <= 1e-12 && e <= 1e-12) return r.norm();
  if (a <= 1e-12) {
    y = std::clamp(f / e, 0.0, 1.0);
  } else if (e <= 1e-12) {
    x = std::clamp(-c / a, 0.0, 1.0);
  } else {
    const double denominator = a * e - b * b;
    x = denominator > 1e-12 ? std::clamp((b * f - c * e) / denominator, 0.0, 1.0) : 0.0;
    y = (b * x + f) / e;
    if (y < 0) {
      y = 0;
      x = std::clamp(-c / a, 0.0, 1.0);
    } else if (y > 1) {
      y = 1;
      x = std::clamp((b - c) / a, 0.0, 1.0);
    }
  }
  return ((s.a + x * d1) - (t.a + y * d2)).norm();
}

}  // namespace rayset::path
