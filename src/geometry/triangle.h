// Nearest point of a triangle; distance to a line segment.
#pragma once

#include <Eigen/Core>
#include <algorithm>

namespace rayset {

/// The point of triangle abc nearest to p, by the Voronoi regions of the triangle (Ericson 2005, Real-Time Collision
/// Detection, 5.1.5). Same frame and unit in and out.
template <class T>
[[nodiscard]] Eigen::Matrix<T, 3, 1> nearestOnTriangle(const Eigen::Matrix<T, 3, 1>& p, const Eigen::Matrix<T, 3, 1>& a,
                                                       const Eigen::Matrix<T, 3, 1>& b,
                                                       const Eigen::Matrix<T, 3, 1>& c) {
  using V = Eigen::Matrix<T, 3, 1>;
  const V ab = b - a, ac = c - a, ap = p - a;
  const T d1 = ab.dot(ap), d2 = ac.dot(ap);
  if (d1 <= 0 && d2 <= 0) return a;
  const V bp = p - b;
  const T d3 = ab.dot(bp), d4 = ac.dot(bp);
  if (d3 >= 0 && d4 <= d3) return b;
  const T vc = d1 * d4 - d3 * d2;
  if (vc <= 0 && d1 >= 0 && d3 <= 0) return a + d1 / (d1 - d3) * ab;
  const V cp = p - c;
  const T d5 = ab.dot(cp), d6 = ac.dot(cp);
  if (d6 >= 0 && d5 <= d6) return c;
  const T vb = d5 * d2 - d1 * d6;
  if (vb <= 0 && d2 >= 0 && d6 <= 0) return a + d2 / (d2 - d6) * ac;
  const T va = d3 * d6 - d5 * d4;
  if (va <= 0 && d4 - d3 >= 0 && d5 - d6 >= 0) return b + (d4 - d3) / ((d4 - d3) + (d5 - d6)) * (c - b);
  const T denominator = 1 / (va + vb + vc);
  return a + ab * (vb * denominator) + ac * (vc * denominator);
}

/// Distance of p from the segment ab; a and b must differ. Same frame and unit in and out.
[[nodiscard]] inline double segmentDistance(const Eigen::Vector3d& p, const Eigen::Vector3d& a,
                                            const Eigen::Vector3d& b) {
  const Eigen::Vector3d d = b - a;
  const double t = std::clamp((p - a).dot(d) / d.squaredNorm(), 0.0, 1.0);
  return (p - a - t * d).norm();
}

}  // namespace rayset
