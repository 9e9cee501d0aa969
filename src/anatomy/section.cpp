#include "anatomy/section.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <limits>
#include <unordered_map>

namespace rayset {
namespace {

std::uint64_t edgeKey(std::uint32_t a, std::uint32_t b) {
  return (static_cast<std::uint64_t>(std::min(a, b)) << 32) | std::max(a, b);
}

struct CutSegment {
  std::uint64_t start_edge, end_edge;
  Vec3 start, end;
};

// Part of the convex polygon where height >= level (keep_above) or <= level.
void clip(std::vector<Vec3>& polygon, const Vec3& direction, double level, bool keep_above,
          std::vector<Vec3>& scratch) {
  scratch.clear();
  const double sign = keep_above ? 1 : -1;
  for (std::size_t i = 0; i < polygon.size(); ++i) {
    const Vec3& a = polygon[i];
    const Vec3& b = polygon[(i + 1) % polygon.size()];
    const double ha = sign * (direction.dot(a) - level), hb = sign * (direction.dot(b) - level);
    if (ha >= 0) scratch.push_back(a);
    if ((ha >= 0) != (hb >= 0)) scratch.push_back(a + (b - a) * (ha / (ha - hb)));
  }
  polygon.swap(scratch);
}

constexpr double kEndReachMm = 3.5;

}  // namespace

PlaneSection planeSection(const Surface& surface, const Vec3& point, const Vec3& normal) {
  std::vector<double> height(surface.vertices.size());
  for (std::size_t i = 0; i < height.size(); ++i) height[i] = normal.dot(surface.vertices[i] - point);

  std::vector<CutSegment> segments;
  for (const auto& t : surface.triangles) {
    // A vertex on the plane counts as above it: every crossed edge then has one end on each side.
    const bool above[3] = {height[t[0]] >= 0, height[t[1]] >= 0, height[t[2]] >= 0};
    if (above[0] == above[1] && above[1] == above[2]) continue;
    CutSegment s{};
    for (int k = 0; k < 3; ++k) {
      const auto a = t[static_cast<std::size_t>(k)], b = t[static_cast<std::size_t>((k + 1) % 3)];
      if (above[k] == above[(k + 1) % 3]) continue;
      const Vec3 cut =
          surface.vertices[a] + (surface.vertices[b] - surface.vertices[a]) * (height[a] / (height[a] - height[b]));
      // With outward triangles the solid lies left of the way from the descending to the ascending edge.
      if (above[k]) {
        s.start = cut;
        s.start_edge = edgeKey(a, b);
      } else {
        s.end = cut;
        s.end_edge = edgeKey(a, b);
      }
    }
    segments.push_back(s);
  }

  PlaneSection section;
  if (segments.empty()) return section;
  // Green's theorem about a nearby point needs no loops; the sign of a stray open chain's error stays small.
  const Vec3 origin = segments.front().start;
  Vec3 moment = Vec3::Zero();
  double twice_area = 0;
  for (const auto& s : segments) {
    const Vec3 a = s.start - origin, b = s.end - origin;
    const double cross = normal.dot(a.cross(b));
    twice_area += cross;
    moment += (a + b) * cross;
  }
  section.area_mm2 = 0.5 * twice_area;
  section.centroid = std::abs(twice_area) > 1e-12 ? Vec3(origin + moment / (3 * twice_area)) : origin;

  std::unordered_map<std::uint64_t, std::size_t> by_start;
  by_start.reserve(segments.size());
  for (std::size_t i = 0; i < segments.size(); ++i) by_start.emplace(segments[i].start_edge, i);
  std::vector<bool> used(segments.size(), false);
  for (std::size_t i = 0; i < segments.size(); ++i) {
    if (used[i]) continue;
    Points loop;
    std::size_t j = i;
    bool closed = false;
    while (!used[j]) {
      used[j] = true;
      loop.push_back(segments[j].start);
      const auto next = by_start.find(segments[j].end_edge);
      if (next == by_start.end()) break;
      if (next->second == i) {
        closed = true;
        break;
      }
      j = next->second;
    }
    if (closed && loop.size() > 2) section.loops.push_back(std::move(loop));
  }
  return section;
}

SurfacePart surfaceBetween(const Surface& surface, const Vec3& direction, double from_mm, double to_mm) {
  SurfacePart part;
  std::vector<Vec3> polygon, scratch;
  for (const auto& t : surface.triangles) {
    const Vec3 &a = surface.vertices[t[0]], &b = surface.vertices[t[1]], &c = surface.vertices[t[2]];
    const double ha = direction.dot(a), hb = direction.dot(b), hc = direction.dot(c);
    const double low = std::min({ha, hb, hc}), high = std::max({ha, hb, hc});
    if (high < from_mm || low > to_mm) continue;
    const Vec3 twice_area = (b - a).cross(c - a);
    if (low >= from_mm && high <= to_mm) {
      const double triangle_area = 0.5 * twice_area.norm();
      part.area_mm2 += triangle_area;
      part.mean += triangle_area * (a + b + c) / 3;
      part.mean_normal += 0.5 * twice_area;
      continue;
    }
    polygon.assign({a, b, c});
    clip(polygon, direction, from_mm, true, scratch);
    clip(polygon, direction, to_mm, false, scratch);
    for (std::size_t i = 1; i + 1 < polygon.size(); ++i) {
      const Vec3 piece = (polygon[i] - polygon[0]).cross(polygon[i + 1] - polygon[0]);
      const double piece_area = 0.5 * piece.norm();
      part.area_mm2 += piece_area;
      part.mean += piece_area * (polygon[0] + polygon[i] + polygon[i + 1]) / 3;
      part.mean_normal += 0.5 * piece;
    }
  }
  if (part.area_mm2 > 0) {
    part.mean /= part.area_mm2;
    part.mean_normal /= part.area_mm2;
  }
  return part;
}

Extent extentAlong(const Surface& surface, const Vec3& direction) {
  if (surface.vertices.empty()) return {};
  Extent e{std::numeric_limits<double>::infinity(), -std::numeric_limits<double>::infinity()};
  for (const auto& v : surface.vertices) {
    const double h = direction.dot(v);
    e.from = std::min(e.from, h);
    e.to = std::max(e.to, h);
  }
  return e;
}

double lowestHeight(const Surface& surface, const Vec3& direction) {
  if (surface.empty()) return 0;
  const double lowest = extentAlong(surface, direction).from;
  const Vec3 u = direction.unitOrthogonal(), v = direction.cross(u);
  struct Sample {
    double x, y, height, area;
  };
  std::vector<Sample> skin;
  for (const auto& t : surface.triangles) {
    const Vec3 &a = surface.vertices[t[0]], &b = surface.vertices[t[1]], &c = surface.vertices[t[2]];
    const Vec3 p = (a + b + c) / 3;
    const double height = direction.dot(p) - lowest;
    if (height < 2 + kEndReachMm) skin.push_back({u.dot(p), v.dot(p), height, 0.5 * (b - a).cross(c - a).norm()});
  }
  double best = std::numeric_limits<double>::infinity();
  std::size_t centres = 0;
  for (const auto& s : skin) centres += s.height <= 2 ? 1 : 0;
  // Neighbouring fits hardly differ: a few hundred centres are enough on the finest mesh.
  const std::size_t stride = std::max<std::size_t>(1, centres / 250);
  std::size_t nth = 0;
  for (const auto& centre : skin) {
    if (centre.height > 2 || nth++ % stride != 0) continue;
    Eigen::Matrix<double, 6, 6> A = Eigen::Matrix<double, 6, 6>::Identity() * 1e-6;
    Eigen::Matrix<double, 6, 1> b = Eigen::Matrix<double, 6, 1>::Zero();
    for (const auto& s : skin) {
      const double x = s.x - centre.x, y = s.y - centre.y, z = s.height - centre.height;
      const double near = 1 - (x * x + y * y + z * z) / (kEndReachMm * kEndReachMm);
      if (near <= 0) continue;
      Eigen::Matrix<double, 6, 1> row;
      row << 1, x, y, x * x, x * y, y * y;
      const double w = s.area * near * near;
      A += w * row * row.transpose();
      b += w * s.height * row;
    }
    best = std::min(best, A.ldlt().solve(b)[0]);
  }
  // A spike finer than the reach must not pull the end away from the skin.
  return std::isfinite(best) ? lowest + std::clamp(best, -1.0, 2.0) : lowest;
}

}  // namespace rayset
