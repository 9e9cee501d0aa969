// The cost of a path: how far it is from what its rule wants, as one number. Internal to the fixation stage.
#pragma once

#include "fixation/path_rule.h"

namespace rayset::fixation {

inline constexpr double kNoPath = 1000;  ///< cost of an impossible path: far above every real cost

/// A path that was considered.
struct Candidate {
  Vec3 entry = Vec3::Zero(), direction = Vec3::UnitX(), crossing = Vec3::Zero();
  double depth = 0;
  double cost = kNoPath;
  [[nodiscard]] bool possible() const { return cost < kNoPath; }
};

/// Cost of the path on its own; kNoPath or more if it is not a valid path, in which case `out` is left unchanged.
/// `step` as for path::read().
[[nodiscard]] double pathCost(const Rule& rule, const Vec3& entry, const Vec3& direction, double step,
                              Candidate* out = nullptr);

}  // namespace rayset::fixation
