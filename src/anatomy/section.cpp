#include "anatomy/section.h"

#include <Eigen/Dense>
#include <algorithm>
#include <array>
#include <cmath>
#include <limits>

#include "geometry/plane_cut.h"

namespace rayset {
namespace {

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

/// Adds what the plane at height 0 cuts out of one triangle.
void cut(const Surface& surface, const Surface::Triangle& t, const std::array<double, 3>& height,
         std::vector<CutSegment>& segments) {
  const auto segment = cutTriangle(t, height, [&](std::size_t k, std::size_t l) {
    return crossing(surface.vertices[t[k]], surface.vertices[t[l]], height[k], height[l]);
  });
  if (segment) segments.push_back(*segment);
}

PlaneSection join(const std::vector<CutSegment>& segments, const Vec3& normal) {
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

  for (const CutChain& chain : chained(segments, ChainStart::kAnywhere)) {
    if (!chain.closed || chain.segments.size() < 3) continue;
    Points& loop = section.loops.emplace_back();
    for (const std::size_t n : chain.segments) loop.push_back(segments[n].start);
  }
  return section;
}

}  // namespace

PlaneSection planeSection(const Surface& surface, const Vec3& point, const Vec3& normal) {
  std::vector<double> height(surface.vertices.size());
  for (std::size_t i = 0; i < height.size(); ++i) height[i] = normal.dot(surface.vertices[i] - point);
  std::vector<CutSegment> segments;
  for (const auto& t : surface.triangles) cut(surface, t, {height[t[0]], height[t[1]], height[t[2]]}, segments);
  return join(segments, normal);
}

SectionStack::SectionStack(const Surface& surface, const Vec3& normal) : surface_(surface), normal_(normal) {
  heights_.resize(surface.vertices.size());
  for (std::size_t i = 0; i < heights_.size(); ++i) heights_[i] = normal.dot(surface.vertices[i]);
  if (heights_.empty()) return;
  const auto [low, high] = std::minmax_element(heights_.begin(), heights_.end());
  from_ = *low;
  const auto layers = static_cast<std::size_t>(*high - from_) + 1;
  const auto reach = [&](const Surface::Triangle& t) {
    const auto [bottom, top] = std::minmax({heights_[t[0]], heights_[t[1]], heights_[t[2]]});
    return std::pair(static_cast<std::size_t>(bottom - from_), static_cast<std::size_t>(top - from_));
  };
  first_.assign(layers + 1, 0);
  for (const auto& t : surface.triangles) {
    const auto [bottom, top] = reach(t);
    for (std::size_t layer = bottom; layer <= top; ++layer) ++first_[layer + 1];
  }
  for (std::size_t layer = 0; layer < layers; ++layer) first_[layer + 1] += first_[layer];
  near_.resize(first_.back());
  std::vector<std::uint32_t> next(first_.begin(), first_.end() - 1);
  for (std::size_t n = 0; n < surface.triangles.size(); ++n) {
    const auto [bottom, top] = reach(surface.triangles[n]);
    for (std::size_t layer = bottom; layer <= top; ++layer) near_[next[layer]++] = static_cast<std::uint32_t>(n);
  }
}

PlaneSection SectionStack::at(double height_mm) const {
  const double above = height_mm - from_;
  if (first_.empty() || !(above >= 0) || above >= static_cast<double>(first_.size() - 1)) return {};
  const auto layer = static_cast<std::size_t>(above);
  std::vector<CutSegment> segments;
  for (std::uint32_t i = first_[layer]; i < first_[layer + 1]; ++i) {
    const auto& t = surface_.triangles[near_[i]];
    cut(surface_, t, {heights_[t[0]] - height_mm, heights_[t[1]] - height_mm, heights_[t[2]] - height_mm}, segments);
  }
  return join(segments, normal_);
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
  std::vector<Sample> centres;
  for (const auto& s : skin)
    if (s.height <= 2) centres.push_back(s);
  // Neighbouring fits hardly differ: a few hundred centres are enough on the finest mesh.
  const std::size_t stride = std::max<std::size_t>(1, centres.size() / 250);
  std::sort(skin.begin(), skin.end(), [](const Sample& a, const Sample& b) { return a.x < b.x; });
  double best = std::numeric_limits<double>::infinity();
  for (std::size_t n = 0; n < centres.size(); n += stride) {
    const Sample& centre = centres[n];
    Eigen::Matrix<double, 6, 6> A = Eigen::Matrix<double, 6, 6>::Identity() * 1e-6;
    Eigen::Matrix<double, 6, 1> b = Eigen::Matrix<double, 6, 1>::Zero();
    auto s = std::lower_bound(skin.begin(), skin.end(), centre.x - kEndReachMm,
                              [](const Sample& a, double x) { return a.x < x; });
    for (; s != skin.end() && s->x <= centre.x + kEndReachMm; ++s) {
      const double x = s->x - centre.x, y = s->y - centre.y, z = s->height - centre.height;
      const double near = 1 - (x * x + y * y + z * z) / (kEndReachMm * kEndReachMm);
      if (near <= 0) continue;
      Eigen::Matrix<double, 6, 1> row;
      row << 1, x, y, x * x, x * y, y * y;
      const double w = s->area * near * near;
      A += w * row * row.transpose();
      b += w * s->height * row;
    }
    best = std::min(best, A.ldlt().solve(b)[0]);
  }
  // A spike finer than the reach must not pull the end away from the skin.
  return std::isfinite(best) ? lowest + std::clamp(best, -1.0, 2.0) : lowest;
}

}  // namespace rayset
