#include "geometry/registration.h"

#include <tbb/blocked_range.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <cmath>

namespace rayset {

Points positions(const std::vector<OrientedPoint>& points) {
  Points out;
  out.reserve(points.size());
  for (const auto& p : points) out.push_back(p.position);
  return out;
}

AlignmentTarget::AlignmentTarget(std::vector<OrientedPoint> points)
    : points_(std::move(points)), tree_(positions(points_)) {}

IcpResult alignIcp(const std::vector<OrientedPoint>& moving, const AlignmentTarget& fixed, const Rigid& start,
                   const IcpSettings& settings) {
  IcpResult result;
  result.moving_to_fixed = start;
  if (moving.empty() || fixed.points().empty()) return result;
  struct Pair {
    Vec3 p, q, n;
    double residual = 0, distance = 0;
    bool used = false;
  };
  std::vector<Pair> pairs(moving.size());
  double radius = 0;
  Vec3 centre = Vec3::Zero();
  for (const auto& m : moving) centre += m.position;
  centre /= static_cast<double>(moving.size());
  for (const auto& m : moving) radius = std::max(radius, (m.position - centre).norm());

  const double shrink = settings.iterations > 1 ? std::pow(settings.end_reach_mm / settings.start_reach_mm,
                                                           1.0 / (0.6 * settings.iterations))
                                                : 1.0;
  double reach = settings.start_reach_mm;
  for (int iteration = 0; iteration < settings.iterations; ++iteration) {
    const Rigid X = result.moving_to_fixed;
    tbb::parallel_for(tbb::blocked_range<std::size_t>(0, moving.size(), 256), [&](const auto& range) {
      for (std::size_t i = range.begin(); i < range.end(); ++i) {
        Pair& pair = pairs[i];
        pair.p = X * moving[i].position;
        const Vec3 normal = X.linear() * moving[i].normal;
        pair.used = false;
        // The nearest point may belong to the facing wall of a narrow joint: try a few until the normals agree.
        for (const auto& match : fixed.tree().nearest(pair.p, 6)) {
          if (match.distance > reach) break;
          const OrientedPoint& f = fixed.points()[match.index];
          if (f.normal.dot(normal) < settings.normal_agreement) continue;
          pair.q = f.position;
          pair.n = f.normal;
          pair.residual = f.normal.dot(pair.p - f.position);
          pair.distance = match.distance;
          pair.used = true;
          break;
        }
      }
    });
    if (settings.keep_fraction < 1) {
      std::vector<double> distances;
      for (const Pair& pair : pairs) {
        if (pair.used) distances.push_back(pair.distance);
      }
      if (distances.size() > 12) {
        const auto keep =
            static_cast<std::ptrdiff_t>(settings.keep_fraction * static_cast<double>(distances.size() - 1));
        std::nth_element(distances.begin(), distances.begin() + keep, distances.end());
        const double limit = distances[static_cast<std::size_t>(keep)];
        for (Pair& pair : pairs) pair.used = pair.used && pair.distance <= limit;
      }
    }
    const Vec3 pivot = X * centre;
    Eigen::Matrix<double, 6, 6> A = Eigen::Matrix<double, 6, 6>::Zero();
    Eigen::Matrix<double, 6, 1> b = Eigen::Matrix<double, 6, 1>::Zero();
    double squares = 0, weights = 0;
    std::size_t used = 0;
    for (const Pair& pair : pairs) {
      if (!pair.used) continue;
      const double u = pair.residual / reach;
      const double w = u * u < 1 ? (1 - u * u) * (1 - u * u) : 0;  // Tukey biweight, scale = reach
      Eigen::Matrix<double, 6, 1> J;
      J << (pair.p - pivot).cross(pair.n), pair.n;
      A += w * J * J.transpose();
      b -= w * pair.residual * J;
      squares += w * pair.residual * pair.residual;
      weights += w;
      ++used;
    }
    result.used_fraction = static_cast<double>(used) / static_cast<double>(moving.size());
    result.rms_mm = weights > 0 ? std::sqrt(squares / weights) : 0;
    result.information = A;
    if (used < 6) break;
    // Slight damping holds directions that the surface does not constrain (rotation about the axis of a smooth shaft).
    Eigen::Matrix<double, 6, 6> damped = A;
    damped.topLeftCorner<3, 3>().diagonal().array() += 1e-6 * weights * radius * radius + 1e-9;
    damped.bottomRightCorner<3, 3>().diagonal().array() += 1e-6 * weights + 1e-9;
    const Eigen::Matrix<double, 6, 1> step = damped.ldlt().solve(b);
    const Vec3 turn = step.head<3>(), shift = step.tail<3>();
    result.moving_to_fixed = turnAbout(pivot, turn, shift) * X;
    const double moved = shift.norm() + radius * turn.norm();
    const bool at_end = reach <= settings.end_reach_mm * 1.0001;
    if (at_end && moved < settings.stop_mm) break;
    reach = std::max(settings.end_reach_mm, reach * shrink);
  }
  // Rounding accumulates over products of rotations: project the result back onto SO(3).
  const Eigen::JacobiSVD<Mat3> svd(result.moving_to_fixed.linear(), Eigen::ComputeFullU | Eigen::ComputeFullV);
  result.moving_to_fixed.linear() = svd.matrixU() * svd.matrixV().transpose();
  return result;
}

}  // namespace rayset
