#include "bones/edge_field.h"

#include <tbb/parallel_for.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <nanoflann.hpp>

namespace rayset::bones {

struct EdgeField::Impl {
  struct Cloud {
    std::vector<EdgePoint> points;
    std::vector<std::array<float, 6>> keys;  // (p, w n) side by side: the search reads nothing else
    [[nodiscard]] std::size_t kdtree_get_point_count() const { return keys.size(); }
    [[nodiscard]] float kdtree_get_pt(std::size_t n, std::size_t axis) const { return keys[n][axis]; }
    template <class B>
    bool kdtree_get_bbox(B&) const {
      return false;
    }
  };
  using Tree = nanoflann::KDTreeSingleIndexAdaptor<nanoflann::L2_Simple_Adaptor<float, Cloud>, Cloud, 6>;
  Cloud cloud;
  std::unique_ptr<Tree> tree;
};

EdgeField::EdgeField(std::vector<EdgePoint> points) : impl_(std::make_unique<Impl>()) {
  impl_->cloud.points = std::move(points);
  impl_->cloud.keys.reserve(impl_->cloud.points.size());
  for (const EdgePoint& e : impl_->cloud.points) {
    const Eigen::Vector3f q = e.position.cast<float>(), n = (kTurn * e.normal).cast<float>();
    impl_->cloud.keys.push_back({q.x(), q.y(), q.z(), n.x(), n.y(), n.z()});
  }
  impl_->tree = std::make_unique<Impl::Tree>(6, impl_->cloud, nanoflann::KDTreeSingleIndexAdaptorParams(12));
  if (!impl_->cloud.points.empty()) impl_->tree->buildIndex();
}
EdgeField::~EdgeField() = default;
EdgeField::EdgeField(EdgeField&&) noexcept = default;
EdgeField& EdgeField::operator=(EdgeField&&) noexcept = default;

const std::vector<EdgePoint>& EdgeField::points() const { return impl_->cloud.points; }

std::size_t EdgeField::nearest(const Vec3& p, const Vec3& n, std::size_t count, Match* out, double within) const {
  if (impl_->cloud.points.empty()) return 0;
  float query[6];
  for (int a = 0; a < 3; ++a) {
    query[a] = static_cast<float>(p[a]);
    query[a + 3] = static_cast<float>(kTurn * n[a]);
  }
  std::size_t index[16];
  float squared[16];
  count = std::min<std::size_t>(count, 16);
  nanoflann::KNNResultSet<float, std::size_t> found(count);
  found.init(index, squared);
  if (within < 1e6) squared[count - 1] = static_cast<float>(within * within);  // the set's worst, which a hit must beat
  impl_->tree->findNeighbors(found, query, nanoflann::SearchParams(32, 0.0F, true));
  for (std::size_t k = 0; k < found.size(); ++k) out[k] = {index[k], std::sqrt(static_cast<double>(squared[k]))};
  return found.size();
}

EdgeField::Match EdgeField::nearest(const Vec3& p, const Vec3& n) const {
  Match m{0, 1e9};
  nearest(p, n, 1, &m);
  return m;
}

namespace {

/// Best allowed match: the edges of other bones are skipped.
bool bestMatch(const EdgeField& edges, const Vec3& p, const Vec3& n, const std::vector<std::int16_t>* owner,
               std::int16_t self, double within, EdgeField::Match& match) {
  if (owner == nullptr) {
    return edges.nearest(p, n, 1, &match, within) == 1;
  }
  EdgeField::Match found[6];
  const std::size_t count = edges.nearest(p, n, 6, found, within);
  for (std::size_t k = 0; k < count; ++k) {
    const std::int16_t o = (*owner)[found[k].index];
    if (o < 0 || o == self) {
      match = found[k];
      return true;
    }
  }
  return false;
}

constexpr double kScoreReach = 4, kScoreCosine = 0.4;  // used by scorePose()

}  // namespace

FitResult scorePose(const std::vector<OrientedPoint>& samples, const EdgeField& edges, const ScanImage& scan,
                    const BonePose& pose, const std::vector<std::int16_t>* owner, std::int16_t self) {
  FitResult out;
  out.pose = pose;
  std::size_t visible = 0, near = 0, used = 0;
  double sum = 0, squares = 0;
  for (const auto& s : samples) {
    const Vec3 p = pose.apply(s.position), n = pose.normal(s.normal);
    if (scan.grey.depth(p) < (scan.nearScanBorder(p, 1.0) ? 1.0 : -3.0)) continue;
    ++visible;
    EdgeField::Match m{};
    if (!bestMatch(edges, p, n, owner, self, EdgeField::cost(kScoreReach, kScoreCosine), m)) continue;
    const auto& e = edges.points()[m.index];
    const double cosine = e.normal.dot(n);
    if (cosine < kScoreCosine) continue;
    const double across = std::abs(e.normal.dot(e.position - p)), distance = (e.position - p).norm();
    if (distance < 3.5) {
      const double f = 1 - across * across / 9.0;
      if (f > 0) sum += f * cosine;
    }
    if (distance < 2.5 && across < 1.2 && cosine > 0.7) ++near;
    if (distance < kScoreReach) squares += across * across, ++used;
  }
  const auto n = static_cast<double>(std::max<std::size_t>(1, visible));
  out.visible = static_cast<double>(visible) / static_cast<double>(std::max<std::size_t>(1, samples.size()));
  out.support = static_cast<double>(near) / n;
  out.score = sum / n;
  out.rms_mm = used > 0 ? std::sqrt(squares / static_cast<double>(used)) : 99;
  return out;
}

FitResult fitPose(const std::vector<OrientedPoint>& samples, const EdgeField& edges, const ScanImage& scan,
                  const BonePose& start, const FitSettings& settings) {
  BonePose pose = start;
  struct Pair {
    Vec3 x, p, e, n;
    double r, cosine;
  };
  std::vector<Pair> pairs;
  std::vector<double> residuals;
  const int scales = settings.scaling == Scaling::kNone ? 0 : settings.scaling == Scaling::kUniform ? 1 : 3;
  const int unknowns = 6 + scales;
  for (int iteration = 0; iteration < settings.iterations; ++iteration) {
    const double t = settings.iterations > 1 ? static_cast<double>(iteration) / (settings.iterations - 1) : 1.0;
    const double reach = settings.start_reach_mm * std::pow(settings.end_reach_mm / settings.start_reach_mm, t);
    pairs.clear();
    residuals.clear();
    for (const auto& s : samples) {
      const Vec3 p = pose.apply(s.position), n = pose.normal(s.normal);
      if (scan.grey.depth(p) < (scan.nearScanBorder(p, 1.0) ? 0.5 : -reach)) continue;
      EdgeField::Match m{};
      if (!bestMatch(edges, p, n, settings.owner, settings.self, EdgeField::cost(1.5 * reach, settings.least_cosine),
                     m))
        continue;
      const auto& e = edges.points()[m.index];
      const double cosine = e.normal.dot(n);
      if (cosine < settings.least_cosine || (e.position - p).norm() > 1.5 * reach) continue;
      const double r = e.normal.dot(e.position - p);
      if (std::abs(r) > reach) continue;
      pairs.push_back({s.position, p, e.position, e.normal, r, cosine});
      residuals.push_back(std::abs(r));
    }
    if (pairs.size() < 12) break;
    double limit = reach;
    if (settings.keep < 1) {
      const auto q =
          residuals.begin() + static_cast<std::ptrdiff_t>(settings.keep * static_cast<double>(residuals.size() - 1));
      std::nth_element(residuals.begin(), q, residuals.end());
      limit = std::min(limit, *q + 1e-6);
    }
    Eigen::Matrix<double, 9, 9> H = Eigen::Matrix<double, 9, 9>::Zero();
    Eigen::Matrix<double, 9, 1> g = Eigen::Matrix<double, 9, 1>::Zero();
    double weight_sum = 0;
    const Vec3 c = pose.posedCentre();
    for (const auto& q : pairs) {
      if (std::abs(q.r) > limit) continue;
      const double u = q.r / (1.1 * reach);
      const double w = (1 - u * u) * (1 - u * u) * q.cosine;
      Eigen::Matrix<double, 9, 1> J = Eigen::Matrix<double, 9, 1>::Zero();
      J.segment<3>(0) = (q.p - c).cross(q.n);
      J.segment<3>(3) = q.n;
      if (scales == 1) {
        J[6] = q.n.dot(q.p - c);
      } else if (scales == 3) {
        const Vec3 local =
            (pose.axes.transpose() * (q.x - pose.centre)).cwiseProduct(pose.log_scale.array().exp().matrix());
        const Vec3 along = (pose.X.linear() * pose.axes).transpose() * q.n;
        J.segment<3>(6) = along.cwiseProduct(local);
      }
      H += w * J * J.transpose();
      g += w * q.r * J;
      weight_sum += w;
    }
    if (weight_sum <= 0) break;
    const double scale = settings.independent_points / (weight_sum * settings.point_sigma_mm * settings.point_sigma_mm);
    H *= scale;
    g *= scale;
    if (settings.prior != nullptr) {
      const BonePose& prior = *settings.prior;
      const double wt = 1 / (settings.prior_shift_mm * settings.prior_shift_mm);
      const double wr = 1 / (settings.prior_turn_rad * settings.prior_turn_rad);
      const double ws = 1 / (settings.prior_log_scale * settings.prior_log_scale);
      const Vec3 shift = prior.X * prior.centre - c;
      const Eigen::AngleAxisd turn(Mat3(prior.X.linear() * pose.X.linear().transpose()));
      H.block<3, 3>(0, 0) += wr * Mat3::Identity();
      g.segment<3>(0) += wr * turn.angle() * turn.axis();
      H.block<3, 3>(3, 3) += wt * Mat3::Identity();
      g.segment<3>(3) += wt * shift;
      if (scales == 1) {
        H(6, 6) += ws;
        g[6] += ws * (prior.log_scale.mean() - pose.log_scale.mean());
      } else if (scales == 3) {
        H.block<3, 3>(6, 6) += ws * Mat3::Identity();
        g.segment<3>(6) += ws * (prior.log_scale - pose.log_scale);
        // Scales along the three axes also vary less among themselves than as a whole.
        for (int a = 0; a < 3; ++a)
          for (int b = 0; b < a; ++b) {
            const double difference =
                (pose.log_scale[a] - prior.log_scale[a]) - (pose.log_scale[b] - prior.log_scale[b]);
            H(6 + a, 6 + a) += ws, H(6 + b, 6 + b) += ws, H(6 + a, 6 + b) -= ws, H(6 + b, 6 + a) -= ws;
            g[6 + a] -= ws * difference, g[6 + b] += ws * difference;
          }
      }
    }
    for (int a = 0; a < unknowns; ++a) H(a, a) += 1e-6 * (1 + H(a, a));
    const Eigen::VectorXd step = H.topLeftCorner(unknowns, unknowns).ldlt().solve(g.head(unknowns));
    if (!step.allFinite()) break;
    Vec3 turn = step.segment<3>(0);
    if (turn.norm() > 0.3) turn *= 0.3 / turn.norm();
    Rigid move = turnAbout(c, turn, step.segment<3>(3));
    pose.X = move * pose.X;
    // Keep the rotation exactly orthonormal over many steps.
    pose.X.linear() = Eigen::Quaterniond(pose.X.linear()).normalized().toRotationMatrix();
    if (scales == 1)
      pose.log_scale.array() += std::clamp(step[6], -0.1, 0.1);
    else if (scales == 3)
      pose.log_scale += step.segment<3>(6).cwiseMax(-0.1).cwiseMin(0.1);
    if (iteration > 3 && step.segment<3>(3).norm() < 1e-3 && turn.norm() < 1e-4 && t >= 1) break;
  }
  FitResult out = scorePose(samples, edges, scan, pose, settings.owner, settings.self);
  return out;
}

std::vector<std::int16_t> nearestOwners(const EdgeField& edges, std::vector<EdgePoint> points,
                                        const std::vector<std::int16_t>& of, double reach_mm, double least_cosine) {
  std::vector<std::int16_t> owner(edges.points().size(), -1);
  if (points.empty()) return owner;
  const EdgeField posed(std::move(points));
  tbb::parallel_for(std::size_t{0}, owner.size(), [&](std::size_t n) {
    const auto& e = edges.points()[n];
    const auto m = posed.nearest(e.position, e.normal);
    const auto& s = posed.points()[m.index];
    if ((s.position - e.position).norm() < reach_mm && s.normal.dot(e.normal) > least_cosine) owner[n] = of[m.index];
  });
  return owner;
}

}  // namespace rayset::bones
