// Moves soft tissue along with its bones.
#pragma once

#include <map>
#include <string>

#include "geometry/types.h"
#include "xray/bodies.h"

namespace rayset {

/// The soft part of a foot, which follows its bones: every point moves with the bones around it, the nearest most. Our
/// own approximation: skin neither folds nor swells. Const and safe to share between threads.
class SoftTissue {
 public:
  explicit SoftTissue(const FootBodies& bodies);
  /// HU above air, with the bones at `poses` (as scanned to as filmed, patient frame, by poseId(); identity if none is
  /// given), on the scanned grid enlarged by the farthest any bone moved.
  [[nodiscard]] CtVolume carried(const std::map<std::string, Rigid>& poses) const;

 private:
  CtVolume scanned_;
  std::map<std::string, Points> bones_;  ///< some points of each body that moves as one, as scanned
};

}  // namespace rayset
