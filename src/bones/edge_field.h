// Finds the scan's edge point nearest to a point with a normal, and fits template bones to the edges robustly.
#pragma once

#include <algorithm>
#include <cmath>
#include <memory>
#include <vector>

#include "bones/features.h"

namespace rayset::bones {

/// Search over position and direction at once (6-D k-d tree on (p, w n)): an edge that faces the wrong way counts as
/// far away, so the two walls of a joint gap are never mistaken for each other. Const after construction; safe to
/// share.
class EdgeField {
 public:
  /// Weight of direction: opposite normals count as 2 w apart.
  static constexpr double kTurn = 5.0;
  explicit EdgeField(std::vector<EdgePoint> points);
  ~EdgeField();
  EdgeField(EdgeField&&) noexcept;
  EdgeField& operator=(EdgeField&&) noexcept;

  [[nodiscard]] const std::vector<EdgePoint>& points() const;
  struct Match {
    std::size_t index;
    double cost;  ///< sqrt(|dp|^2 + w^2 |dn|^2), mm
  };
  [[nodiscard]] Match nearest(const Vec3& p, const Vec3& n) const;
  /// Writes up to `count` (at most 16) best matches with a cost below `within` to `out`; returns how many. A bound
  /// saves most of the search where there is no edge.
  std::size_t nearest(const Vec3& p, const Vec3& n, std::size_t count, Match* out, double within = 1e9) const;
  /// Cost of a match at this distance (mm) with this cosine between the normals.
  [[nodiscard]] static double cost(double distance, double cosine) {
    return std::sqrt(distance * distance + kTurn * kTurn * 2 * (1 - cosine));
  }

 private:
  struct Impl;
  std::unique_ptr<Impl> impl_;
};

/// For each edge point of the scan, the owner (`of`) of the nearest of `points` that faces the same way; -1 if none is
/// within reach.
[[nodiscard]] std::vector<std::int16_t> nearestOwners(const EdgeField& edges, std::vector<EdgePoint> points,
                                                      const std::vector<std::int16_t>& of, double reach_mm,
                                                      double least_cosine);

/// The pose of a template bone (or a set of them): y = X (c + R diag(exp s) R^T (x - c)).
struct BonePose {
  Rigid X = Rigid::Identity();
  Vec3 centre = Vec3::Zero();
  Mat3 axes = Mat3::Identity();
  Vec3 log_scale = Vec3::Zero();

  [[nodiscard]] Vec3 apply(const Vec3& x) const {
    const Vec3 u = axes.transpose() * (x - centre);
    return X * (centre + axes * u.cwiseProduct(log_scale.array().exp().matrix()));
  }
  [[nodiscard]] Vec3 normal(const Vec3& n) const {
    const Vec3 u = axes.transpose() * n;
    return (X.linear() * (axes * u.cwiseProduct((-log_scale).array().exp().matrix()))).normalized();
  }
  [[nodiscard]] Vec3 posedCentre() const { return X * centre; }
};

enum class Scaling { kNone, kUniform, kAxes };

struct FitSettings {
  int iterations = 25;
  double start_reach_mm = 8, end_reach_mm = 2;  ///< geometric schedule
  double least_cosine = 0.5;
  Scaling scaling = Scaling::kNone;
  double keep = 1.0;  ///< fraction of the pairs that is used, best first
  /// Prior pose; null if there is none.
  const BonePose* prior = nullptr;
  double prior_shift_mm = 5, prior_turn_rad = 0.25, prior_log_scale = 0.12;
  double independent_points = 60;  ///< how many independent measurements the samples count as, relative to the prior
  double point_sigma_mm = 0.8;
  /// Optional: the owner of each edge point (index of a bone) and the bone being fitted; edges of others are not used.
  const std::vector<std::int16_t>* owner = nullptr;
  std::int16_t self = -1;
};

struct FitResult {
  BonePose pose;
  double rms_mm = 0;  ///< point to plane over used pairs
  /// Fraction of the samples in the field of view with an edge within 1.2 mm facing the same way (cos > 0.7).
  double support = 0;
  double visible = 0;  ///< fraction of the samples in the field of view
  /// The score, reduced if little of the bone is in view; used to compare poses of a bone.
  [[nodiscard]] double rank() const { return score * std::min(1.0, visible / 0.3); }
  /// Mean over the visible samples of (1 - (d / 3 mm)^2)+ with direction: a smooth version of the support.
  double score = 0;
};

/// `scan` defines the field of view. Deterministic.
[[nodiscard]] FitResult fitPose(const std::vector<OrientedPoint>& samples, const EdgeField& edges,
                                const ScanImage& scan, const BonePose& start, const FitSettings& settings);
/// The score alone, without moving anything.
[[nodiscard]] FitResult scorePose(const std::vector<OrientedPoint>& samples, const EdgeField& edges,
                                  const ScanImage& scan, const BonePose& pose,
                                  const std::vector<std::int16_t>* owner = nullptr, std::int16_t self = -1);

}  // namespace rayset::bones
