#include "reduction/docking.h"

#include <Eigen/Cholesky>
#include <algorithm>
#include <cmath>

namespace rayset::reduction {
namespace {

Rigid stepped(const Rigid& X, const Vec3& centre, const Vec6& step) {
  return turnAbout(X * centre, step.head<3>(), step.tail<3>()) * X;
}

constexpr int kFixed = -1;
/// A body that carries points, and one in whose field they are looked up, in their current poses.
struct Meeting {
  int a, b;  ///< their slots among the free bodies; kFixed
  const Rigid &X_a, &X_b;
  Rigid X_ba;
  Vec3 centre_a, centre_b;
  const DistanceField& field;

  [[nodiscard]] bool fixed() const { return a == kFixed && b == kFixed; }
  /// Change of a distance with steps of either body; `place` on the first, `n` the field's gradient, both in current
  /// poses.
  void jacobians(const Vec3& place, const Vec3& n, Vec6& Ja, Vec6& Jb) const {
    Ja << (place - centre_a).cross(n), n;
    Jb << -(place - centre_b).cross(n), -n;
  }
  /// Adds the pair's contribution to the whole.
  void add(const Mat6& Haa, const Mat6& Hab, const Mat6& Hbb, const Vec6& ga, const Vec6& gb, Eigen::MatrixXd& H,
           Eigen::VectorXd& g) const {
    if (a != kFixed) {
      H.block<6, 6>(6 * a, 6 * a) += Haa;
      g.segment<6>(6 * a) += ga;
    }
    if (b != kFixed) {
      H.block<6, 6>(6 * b, 6 * b) += Hbb;
      g.segment<6>(6 * b) += gb;
    }
    if (a != kFixed && b != kFixed) {
      H.block<6, 6>(6 * a, 6 * b) += Hab;
      H.block<6, 6>(6 * b, 6 * a) += Hab.transpose();
    }
  }
};

constexpr int kPlaneRounds = 4;  // reweighted least squares of a gap's plane: a tenth of a micrometre from there

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

  const auto meeting = [&](std::size_t body, std::size_t onto) {
    return Meeting{slot[body],
                   slot[onto],
                   poses[body],
                   poses[onto],
                   poses[onto].inverse() * poses[body],
                   poses[body] * bodies_[body].centre,
                   poses[onto] * bodies_[onto].centre,
                   *bodies_[onto].field};
  };
  std::vector<DistanceField::Sample> samples;
  std::vector<double> expected;
  for (const Contact& contact : contacts_) {
    if (!active[contact.body] || !active[contact.onto]) continue;
    const Meeting m = meeting(contact.body, contact.onto);
    if (m.fixed()) continue;

    const std::size_t count = contact.points.size();
    samples.resize(count);
    expected.resize(count);
    for (std::size_t i = 0; i < count; ++i) {
      samples[i] = m.field.sample(m.X_ba * contact.points[i].position);
      expected[i] = contact.points[i].gap;
    }
    // Loss of a gap, and its first two derivatives.
    const auto loss = [&](double e, double w, double& slope, double& curvature) {
      if (e <= 0) {
        slope = w * e;
        curvature = w;
        return w * 0.5 * e * e;
      }
      const double k = std::exp(-e * e / reach2);
      slope = w * k * e;
      curvature = w * k;
      return w * 0.5 * reach2 * (1 - k);
    };
    const auto across = [&](const Vec3& p) {
      const Vec3 r = p - contact.plane->middle;
      return Vec3(1, r.dot(contact.plane->first), r.dot(contact.plane->second));
    };
    Mat3 A = Mat3::Zero();  // of the plane's unknowns
    if (contact.plane) {
      const GapPlane& plane = *contact.plane;
      const Mat3 prior = plane.spread.cwiseAbs2().cwiseInverse().asDiagonal();
      Vec3 unknowns = plane.mean;
      for (int round = 0; round < kPlaneRounds; ++round) {
        A = prior;
        Vec3 pull = prior * (plane.mean - unknowns);
        for (std::size_t i = 0; i < count; ++i) {
          const DockPoint& point = contact.points[i];
          if (point.weight <= 0) continue;
          const Vec3 phi = across(point.position);
          double slope = 0, curvature = 0;
          loss(samples[i].distance - phi.dot(unknowns), point.weight * inv_noise2, slope, curvature);
          A += curvature * phi * phi.transpose();
          pull += slope * phi;
        }
        unknowns += A.ldlt().solve(pull);
      }
      const Vec3 off = (unknowns - plane.mean).cwiseQuotient(plane.spread);
      cost += 0.5 * off.squaredNorm();
      for (std::size_t i = 0; i < count; ++i) expected[i] = across(contact.points[i].position).dot(unknowns);
    }

    Mat6 Haa = Mat6::Zero(), Hab = Mat6::Zero(), Hbb = Mat6::Zero();
    Vec6 ga = Vec6::Zero(), gb = Vec6::Zero();
    Eigen::Matrix<double, 6, 3> Ba = Eigen::Matrix<double, 6, 3>::Zero(), Bb = Ba;
    for (std::size_t i = 0; i < count; ++i) {
      const DockPoint& point = contact.points[i];
      const auto& s = samples[i];
      double curvature = 0, slope = 0;  // of the loss with respect to the distance
      if (point.weight > 0) cost += loss(s.distance - expected[i], point.weight * inv_noise2, slope, curvature);
      const double measured = curvature;
      if (guards && point.guard > 0 && s.distance < 0) {
        const double w = point.guard * inv_overlap2;
        cost += w * 0.5 * s.distance * s.distance;
        slope += w * s.distance;
        curvature += w;
      }
      if (!H || curvature == 0) continue;
      Vec6 Ja, Jb;
      m.jacobians(m.X_a * point.position, m.X_b.linear() * s.gradient, Ja, Jb);
      if (contact.plane) {
        const Vec3 phi = across(point.position);
        Ba.noalias() += measured * Ja * phi.transpose();
        Bb.noalias() += measured * Jb * phi.transpose();
      }
      if (m.a != kFixed) {
        Haa.noalias() += curvature * Ja * Ja.transpose();
        ga.noalias() += slope * Ja;
      }
      if (m.b != kFixed) {
        Hbb.noalias() += curvature * Jb * Jb.transpose();
        gb.noalias() += slope * Jb;
      }
      if (m.a != kFixed && m.b != kFixed) Hab.noalias() += curvature * Ja * Jb.transpose();
    }
    if (H && contact.plane) {  // the unknowns of the plane are found anew at every pose (Schur complement)
      const Mat3 inverse = A.inverse();
      Haa -= Ba * inverse * Ba.transpose();
      Hab -= Ba * inverse * Bb.transpose();
      Hbb -= Bb * inverse * Bb.transpose();
    }
    if (H) m.add(Haa, Hab, Hbb, ga, gb, *H, *g);
  }
  // One measurement between two bodies, `off` from what is expected; an outlier pulls no harder than one of `far`
  // spreads.
  const auto measured = [&](const Meeting& m, double off, double spread, const Vec6& Ja, const Vec6& Jb) {
    const double r = off / spread;
    const double k = std::abs(r) > settings_.far ? settings_.far / std::abs(r) : 1;
    cost += k < 1 ? settings_.far * (std::abs(r) - 0.5 * settings_.far) : 0.5 * r * r;
    if (!H) return;
    const double slope = k * r / spread, curvature = k / (spread * spread);
    m.add(curvature * Ja * Ja.transpose(), curvature * Ja * Jb.transpose(), curvature * Jb * Jb.transpose(), slope * Ja,
          slope * Jb, *H, *g);
  };
  for (const Border& border : borders_) {
    if (!active[border.body] || !active[border.onto]) continue;
    const Meeting m = meeting(border.body, border.onto);
    if (m.fixed() || border.places.empty()) continue;
    std::vector<std::pair<double, std::size_t>> apart(border.places.size());
    for (std::size_t i = 0; i < apart.size(); ++i) apart[i] = {m.field.value(m.X_ba * border.places[i]), i};
    const std::size_t counted = border.closest > 0 ? std::min(border.closest, apart.size()) : apart.size();
    if (counted < apart.size())
      std::nth_element(apart.begin(), apart.begin() + static_cast<std::ptrdiff_t>(counted), apart.end());
    double mean = 0;
    Vec6 Ja = Vec6::Zero(), Jb = Vec6::Zero();
    for (std::size_t i = 0; i < counted; ++i) {
      mean += apart[i].first / static_cast<double>(counted);
      if (!H) continue;
      const Vec3& place = border.places[apart[i].second];
      const Vec3 n = m.X_b.linear() * m.field.sample(m.X_ba * place).gradient / static_cast<double>(counted);
      Vec6 ja, jb;
      m.jacobians(m.X_a * place, n, ja, jb);
      Ja += ja;
      Jb += jb;
    }
    measured(m, mean - border.distance_mm, border.spread_mm, Ja, Jb);
  }
  for (const ShaftAngle& shaft : shafts_) {
    if (!active[shaft.first] || !active[shaft.second]) continue;
    const Meeting m = meeting(shaft.first, shaft.second);
    if (m.fixed()) continue;
    const Vec3 a = m.X_a.linear() * shaft.first_axis, b = m.X_b.linear() * shaft.second_axis;
    Vec6 Ja = Vec6::Zero(), Jb = Vec6::Zero();
    Ja.head<3>() = shaft.way.cross(a);
    Jb.head<3>() = b.cross(shaft.way);
    measured(m, shaft.way.dot(b - a) - shaft.expected, shaft.spread, Ja, Jb);
  }
  for (std::size_t i = 0; i < free.size(); ++i) {
    const DockBody& body = bodies_[free[i]];
    for (const PosePrior& prior : body.priors) {
      // Rotations stay below half a radian, where the Jacobian of the logarithm is the identity to within a few
      // percent.
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
