#include "reduction/docking.h"

#include <Eigen/Cholesky>
#include <cmath>

namespace rayset::reduction {
namespace {

Rigid stepped(const Rigid& X, const Vec3& centre, const Vec6& step) {
  return turnAbout(X * centre, step.head<3>(), step.tail<3>()) * X;
}

constexpr int kFixed = -1;

}  // namespace

Vec6 poseDifference(const Rigid& A, const Rigid& B, const Vec3& centre) {
  const Eigen::AngleAxisd turn(Mat3(B.linear() * A.linear().transpose()));
  Vec6 d;
  d << turn.angle() * turn.axis(), B * centre - A * centre;
  return d;
}

double Docking::linearise(const std::vector<Rigid>& poses, const std::vector<std::size_t>& free,
                          const std::vector<bool>& active, Eigen::MatrixXd* H, Eigen::VectorXd* g, bool guards) const {
  std::vector<int> slot(bodies_.size(), kFixed);
  for (std::size_t i = 0; i < free.size(); ++i) slot[free[i]] = static_cast<int>(i);
  if (H) H->setZero(6 * static_cast<int>(free.size()), 6 * static_cast<int>(free.size()));
  if (g) g->setZero(6 * static_cast<int>(free.size()));
  double cost = 0;
  const double inv_noise2 = 1 / (settings_.noise_mm * settings_.noise_mm);
  const double inv_overlap2 = 1 / (settings_.overlap_mm * settings_.overlap_mm);
  const double reach2 = settings_.reach_mm * settings_.reach_mm;
  const double flush2 = settings_.flush_mm * settings_.flush_mm;

  for (const Contact& contact : contacts_) {
    if (!active[contact.body] || !active[contact.onto]) continue;
    const int a = slot[contact.body], b = slot[contact.onto];
    if (a == kFixed && b == kFixed) continue;
    const Rigid& X_a = poses[contact.body];
    const Rigid& X_b = poses[contact.onto];
    const Rigid X_ba = X_b.inverse() * X_a;
    const Vec3 centre_a = X_a * bodies_[contact.body].centre;
    const Vec3 centre_b = X_b * bodies_[contact.onto].centre;
    const DistanceField& field = *bodies_[contact.onto].field;

    Mat6 Haa = Mat6::Zero(), Hab = Mat6::Zero(), Hbb = Mat6::Zero();
    Vec6 ga = Vec6::Zero(), gb = Vec6::Zero();
    for (const DockPoint& point : contact.points) {
      const auto s = field.sample(X_ba * point.position);
      double curvature = 0, slope = 0;  // of the loss with respect to the distance
      if (point.weight > 0) {
        const double e = s.distance - point.gap;
        const double w = point.weight * inv_noise2;
        if (e > 0) {
          const double k = std::exp(-e * e / reach2);
          cost += w * 0.5 * reach2 * (1 - k);
          slope += w * k * e;
          curvature += w * k;
        } else {
          cost += w * 0.5 * e * e;
          slope += w * e;
          curvature += w;
        }
      }
      if (guards && point.guard > 0 && s.distance < 0) {
        const double w = point.guard * inv_overlap2;
        cost += w * 0.5 * s.distance * s.distance;
        slope += w * s.distance;
        curvature += w;
      }
      if (point.flush > 0 && s.gradient.squaredNorm() > 0) {
        const double k = std::exp(-s.distance * s.distance / flush2);
        cost += point.flush * 0.5 * flush2 * (1 - k);
        slope += point.flush * k * s.distance;
        curvature += point.flush * k;
      }
      if (!H || curvature == 0) continue;
      const Vec3 y = X_a * point.position;
      const Vec3 n = X_b.linear() * s.gradient;
      Vec6 Ja, Jb;
      Ja << (y - centre_a).cross(n), n;
      Jb << -(y - centre_b).cross(n), -n;
      if (a != kFixed) {
        Haa.noalias() += curvature * Ja * Ja.transpose();
        ga.noalias() += slope * Ja;
      }
      if (b != kFixed) {
        Hbb.noalias() += curvature * Jb * Jb.transpose();
        gb.noalias() += slope * Jb;
      }
      if (a != kFixed && b != kFixed) Hab.noalias() += curvature * Ja * Jb.transpose();
    }
    if (!H) continue;
    if (a != kFixed) {
      H->block<6, 6>(6 * a, 6 * a) += Haa;
      g->segment<6>(6 * a) += ga;
    }
    if (b != kFixed) {
      H->block<6, 6>(6 * b, 6 * b) += Hbb;
      g->segment<6>(6 * b) += gb;
    }
    if (a != kFixed && b != kFixed) {
      H->block<6, 6>(6 * a, 6 * b) += Hab;
      H->block<6, 6>(6 * b, 6 * a) += Hab.transpose();
    }
  }
  for (std::size_t i = 0; i < free.size(); ++i) {
    const DockBody& body = bodies_[free[i]];
    for (const PosePrior& prior : body.priors) {
      // Turns stay below half a radian, where the Jacobian of the logarithm is the identity to within a few percent.
      const Vec6 d = poseDifference(prior.pose, poses[free[i]], body.centre);
      const Vec6 pull = prior.information * d;
      cost += 0.5 * d.dot(pull);
      if (H) {
        const int k = static_cast<int>(i);
        H->block<6, 6>(6 * k, 6 * k) += prior.information;
        g->segment<6>(6 * k) += pull;
      }
    }
  }
  return cost;
}

double Docking::cost(const std::vector<Rigid>& poses, const std::vector<std::size_t>& free,
                     const std::vector<bool>& active) const {
  return linearise(poses, free, active, nullptr, nullptr, true);
}

Docking::State Docking::minimise(const std::vector<Rigid>& start, const std::vector<std::size_t>& free,
                                 const std::vector<bool>& active) const {
  State state{start, 0};
  Eigen::MatrixXd H;
  Eigen::VectorXd g;
  state.cost = linearise(start, free, active, &H, &g, true);
  double lambda = 1e-3;
  for (int i = 0; i < settings_.iterations; ++i) {
    Eigen::MatrixXd damped = H;
    damped.diagonal() *= 1 + lambda;
    damped.diagonal().array() += 1e-9;
    const Eigen::VectorXd step = -damped.ldlt().solve(g);
    if (!step.allFinite()) break;
    std::vector<Rigid> trial = state.poses;
    double largest = 0;
    for (std::size_t k = 0; k < free.size(); ++k) {
      const Vec6 d = step.segment<6>(6 * static_cast<int>(k));
      trial[free[k]] = stepped(trial[free[k]], bodies_[free[k]].centre, d);
      largest = std::max(largest, std::max(d.tail<3>().norm(), 20 * d.head<3>().norm()));  // 20 mm: half a base's width
    }
    Eigen::MatrixXd H_trial;
    Eigen::VectorXd g_trial;
    const double cost = linearise(trial, free, active, &H_trial, &g_trial, true);
    if (cost < state.cost) {
      state.poses = std::move(trial);
      state.cost = cost;
      H.swap(H_trial);
      g.swap(g_trial);
      lambda = std::max(lambda * 0.3, 1e-6);
      if (largest < 2e-3) break;
    } else {
      lambda *= 8;
      if (lambda > 1e5) break;
    }
  }
  return state;
}

Eigen::MatrixXd Docking::covariance(const std::vector<Rigid>& poses, const std::vector<std::size_t>& free,
                                    const std::vector<bool>& active) const {
  Eigen::MatrixXd H;
  Eigen::VectorXd g;
  linearise(poses, free, active, &H, &g, false);
  H.diagonal().array() += 1e-6;
  return H.ldlt().solve(Eigen::MatrixXd::Identity(H.rows(), H.cols()));
}

}  // namespace rayset::reduction
