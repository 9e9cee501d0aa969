#include "reduction/field_fit.h"

#include <cmath>

namespace rayset::reduction {
namespace {

using VecN = Eigen::Matrix<double, 10, 1>;
using MatN = Eigen::Matrix<double, 10, 10>;

AtlasMap moved(const AtlasMap& m, const VecN& step) {
  AtlasMap out = m;
  const Vec3 w = step.head<3>();
  const double angle = w.norm();
  if (angle > 0) out.R = Eigen::AngleAxisd(angle, w / angle).toRotationMatrix() * m.R;
  out.image += step.segment<3>(3);
  out.log_scale += step.segment<3>(6);
  out.twist.angle += step[9];
  return out;
}

struct Normal {
  MatN H = MatN::Zero();
  VecN g = VecN::Zero();
  double cost = 0;
};

constexpr double kTwistSd = 0.1;  // rad; prior spread of the twist of a long bone, ours

Normal linearise(const std::vector<FitPoint>& points, const AtlasMap& m, const AtlasMap& start,
                 const FieldFitSettings& settings, double welsch, double total) {
  Normal n;
  const Mat3 RB = m.R * m.B;
  for (const FitPoint& point : points) {
    const Vec3 z =
        m.log_scale.array().exp().matrix().cwiseProduct(m.B.transpose() * (m.twist.apply(point.position) - m.centre));
    const Vec3 arm = RB * z;
    const auto s = point.field->sample(arm + m.image);
    const double e2 = s.distance * s.distance / (welsch * welsch);
    const double k = std::exp(-e2);
    n.cost += point.weight * 0.5 * welsch * welsch * (1 - k);
    VecN J = VecN::Zero();
    J.head<3>() = arm.cross(s.gradient);
    J.segment<3>(3) = s.gradient;
    if (settings.scale) J.segment<3>(6) = (RB.transpose() * s.gradient).cwiseProduct(z);
    if (settings.twist) {
      // The scaling is near the identity, so the twist's lever arm is taken in the patient's frame without it.
      const Vec3 swing = m.R * m.twist.axis.cross(m.twist.apply(point.position) - m.twist.point);
      J[9] = m.twist.ramp(point.position) * s.gradient.dot(swing);
    }
    n.H.noalias() += point.weight * k * J * J.transpose();
    n.g.noalias() += point.weight * k * s.distance * J;
  }
  if (settings.scale) {
    // The spread of bone proportions, weighted against surface noise of half a millimetre at ~50 independent points.
    const double w = total / 50 * 0.25 / (settings.scale_sd * settings.scale_sd);
    const Vec3 off = m.log_scale - start.log_scale;
    n.cost += 0.5 * w * off.squaredNorm();
    n.g.segment<3>(6) += w * off;
    n.H.diagonal().segment<3>(6).array() += w;
  } else {
    n.H.diagonal().segment<3>(6).setOnes();
  }
  if (settings.turn_sd > 0) {
    const double w = total / 50 * 0.25 / (settings.turn_sd * settings.turn_sd);
    const Eigen::AngleAxisd turn(Mat3(m.R * start.R.transpose()));
    const Vec3 off = turn.angle() * turn.axis();
    n.cost += 0.5 * w * off.squaredNorm();
    n.g.head<3>() += w * off;
    n.H.diagonal().head<3>().array() += w;
  }
  if (settings.twist) {
    const double w = total / 50 * 0.25 / (kTwistSd * kTwistSd);
    n.cost += 0.5 * w * m.twist.angle * m.twist.angle;
    n.g[9] += w * m.twist.angle;
    n.H(9, 9) += w;
  } else {
    n.H(9, 9) += 1;
  }
  return n;
}

}  // namespace

FieldFit fitToFields(const std::vector<FitPoint>& points, const AtlasMap& start, const FieldFitSettings& settings) {
  FieldFit fit{start, 0, 0};
  double total = 0;
  for (const FitPoint& p : points) total += p.weight;
  if (points.empty() || total <= 0) return fit;
  for (const double welsch : settings.welsch_mm) {
    double lambda = 1e-4;
    Normal now = linearise(points, fit.map, start, settings, welsch, total);
    for (int i = 0; i < settings.iterations; ++i) {
      MatN H = now.H;
      H.diagonal() *= 1 + lambda;
      H.diagonal().array() += 1e-9 * total;
      const VecN step = -H.ldlt().solve(now.g);
      if (!step.allFinite()) break;
      const AtlasMap trial = moved(fit.map, step);
      const Normal next = linearise(points, trial, start, settings, welsch, total);
      if (next.cost < now.cost) {
        fit.map = trial;
        now = next;
        lambda = std::max(lambda * 0.3, 1e-7);
        if (step.segment<3>(3).norm() < 1e-3 && step.head<3>().norm() < 1e-5) break;
      } else {
        lambda = std::max(lambda * 10, 1e-3);
        if (lambda > 1e6) break;
      }
    }
  }
  double sum = 0, near = 0;
  for (const FitPoint& p : points) {
    const double d = p.field->value(fit.map(p.position));
    if (std::abs(d) > 3) continue;
    sum += p.weight * d * d;
    near += p.weight;
  }
  fit.near_fraction = near / total;
  fit.rms_mm = near > 0 ? std::sqrt(sum / near) : 0;
  return fit;
}

}  // namespace rayset::reduction
