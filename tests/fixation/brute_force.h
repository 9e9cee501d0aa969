// An oracle that shares nothing with the planner: plain loops over triangles. Used to judge finished devices.
#pragma once

#include <algorithm>
#include <cmath>
#include <vector>

#include "geometry/surface.h"

namespace rayset::brute {

/// Number of surface crossings of the ray from `p` in direction `d` is odd (Moeller and Trumbore's triangle test).
inline bool oddCrossings(const Surface& s, const Vec3& p, const Vec3& d) {
  bool odd = false;
  for (const auto& t : s.triangles) {
    const Vec3 &a = s.vertices[t[0]], e1 = s.vertices[t[1]] - a, e2 = s.vertices[t[2]] - a;
    const Vec3 h = d.cross(e2);
    const double det = e1.dot(h);
    if (std::abs(det) < 1e-14) continue;
    const Vec3 q = p - a;
    const double u = q.dot(h) / det;
    if (u < 0 || u > 1) continue;
    const Vec3 r = q.cross(e1);
    const double v = d.dot(r) / det;
    if (v < 0 || u + v > 1) continue;
    if (e2.dot(r) / det > 0) odd = !odd;
  }
  return odd;
}

/// Inside a closed surface: two of three skew rays agree.
inline bool inside(const Surface& s, const Box& box, const Vec3& p) {
  if (!box.contains(p)) return false;
  const bool a = oddCrossings(s, p, Vec3(0.917, 0.311, 0.249)), b = oddCrossings(s, p, Vec3(-0.173, 0.881, -0.440));
  if (a == b) return a;
  return oddCrossings(s, p, Vec3(0.31, -0.27, 0.91));
}

inline double pointTriangle(const Vec3& p, const Vec3& a, const Vec3& b, const Vec3& c) {
  const Vec3 n = (b - a).cross(c - a);
  const double nn = n.squaredNorm();
  if (nn > 0) {
    const double w0 = n.dot((b - a).cross(p - a)), w1 = n.dot((c - b).cross(p - b)), w2 = n.dot((a - c).cross(p - c));
    if (w0 >= 0 && w1 >= 0 && w2 >= 0) return std::abs((p - a).dot(n)) / std::sqrt(nn);
  }
  double best = 1e9;
  for (const auto& [x, y] : {std::pair{a, b}, {b, c}, {c, a}}) {
    const Vec3 e = y - x;
    const double f = e.squaredNorm() > 0 ? std::clamp((p - x).dot(e) / e.squaredNorm(), 0.0, 1.0) : 0.0;
    best = std::min(best, (p - x - f * e).norm());
  }
  return best;
}

/// Unsigned distance to the skin.
inline double distance(const Surface& s, const Vec3& p) {
  double best = 1e9;
  for (const auto& t : s.triangles) {
    const Vec3& a = s.vertices[t[0]];
    if ((p - a).norm() - best > 5) continue;  // triangles of the bones here are far smaller
    best = std::min(best, pointTriangle(p, a, s.vertices[t[1]], s.vertices[t[2]]));
  }
  return best;
}

/// Points on the side of a cylinder between two distances along it.
inline std::vector<Vec3> cylinderSide(const Vec3& from, const Vec3& direction, double radius, double t0, double t1,
                                      double step) {
  const Vec3 u = direction.unitOrthogonal(), v = direction.cross(u);
  std::vector<Vec3> points;
  const int n = std::max(1, static_cast<int>(std::ceil((t1 - t0) / step)));
  for (int i = 0; i <= n; ++i) {
    for (int k = 0; k < 8; ++k) {
      const double angle = 0.7853981633974483 * k;
      points.push_back(from + (t0 + (t1 - t0) * i / n) * direction +
                       radius * (std::cos(angle) * u + std::sin(angle) * v));
    }
  }
  return points;
}

/// Least distance between two segments by sampling both (error below (step lengths) / 2).
inline double segments(const Vec3& a, const Vec3& b, const Vec3& c, const Vec3& d) {
  double best = 1e9;
  constexpr int kSteps = 200;
  for (int i = 0; i <= kSteps; ++i) {
    const Vec3 p = a + (b - a) * i / kSteps;
    const Vec3 e = d - c;
    const double f = std::clamp((p - c).dot(e) / std::max(1e-12, e.squaredNorm()), 0.0, 1.0);
    best = std::min(best, (p - c - f * e).norm());
  }
  return best;
}

}  // namespace rayset::brute
