// Where soft tissue lies once the bones in it have been moved.
#pragma once

#include <map>
#include <string>

#include "geometry/types.h"
#include "xray/bodies.h"

namespace rayset {

/// The soft part of a foot that goes along with its bones: every point with the bones around it, the nearer the more.
/// An approximation of ours: skin neither folds nor swells. Const and safe to share between threads.
class SoftTissue {
 public:
  explicit SoftTissue(const FootBodies& bodies);
  /// HU above air, with the bones at `poses` (as scanned to as filmed, patient frame, by poseId(); identity where none
  /// is given), on the scanned grid grown by as far as any bone went.
  [[nodiscard]] CtVolume carried(const std::map<std::string, Rigid>& poses) const;

 private:
  CtVolume scanned_;
  std::map<std::string, Points> bones_;  ///< some points of what moves as one, as scanned
};

}  // namespace rayset
