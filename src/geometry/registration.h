// Rigid alignment of surfaces and oriented points: robust point-to-plane ICP (Chen and Medioni 1992; Tukey weights).
#pragma once

#include <vector>

#include "geometry/nearest.h"
#include "geometry/surface.h"
#include "geometry/types.h"

namespace rayset {

struct IcpSettings {
  int iterations = 60;
  double start_reach_mm = 10;     ///< pairs farther apart are ignored at the start...
  double end_reach_mm = 1.5;      ///< ...and at the end (geometric schedule between)
  double normal_agreement = 0.5;  ///< least cosine between paired normals
  double stop_mm = 1e-4;          ///< stop when no point moves more than this and the reach is at its end
  double keep_fraction = 1.0;     ///< trimmed ICP: fraction of the pairs used, best first
};

struct IcpResult {
  Rigid moving_to_fixed = Rigid::Identity();
  double rms_mm = 0;         ///< point-to-plane, over the pairs used
  double used_fraction = 0;  ///< pairs used over moving points
  /// J^T W J of the last step (rotation about the moving centroid, then shift).
  Eigen::Matrix<double, 6, 6> information = Eigen::Matrix<double, 6, 6>::Zero();
};

[[nodiscard]] Points positions(const std::vector<OrientedPoint>& points);

/// Fixed side of an alignment: oriented points with a search tree, built once and used for many starts.
class AlignmentTarget {
 public:
  explicit AlignmentTarget(std::vector<OrientedPoint> points);
  [[nodiscard]] const std::vector<OrientedPoint>& points() const { return points_; }
  [[nodiscard]] const NearestPoints& tree() const { return tree_; }

 private:
  std::vector<OrientedPoint> points_;
  NearestPoints tree_;
};

/// Moves `moving` onto `fixed` starting from `start` (moving to fixed). Deterministic.
[[nodiscard]] IcpResult alignIcp(const std::vector<OrientedPoint>& moving, const AlignmentTarget& fixed,
                                 const Rigid& start, const IcpSettings& settings = {});

}  // namespace rayset
