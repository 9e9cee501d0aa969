// Where soft tissue lies once the bones in it have been moved.
#pragma once

#include <map>
#include <string>

#include "geometry/types.h"
#include "xray/bodies.h"

namespace rayset {

/// The soft part of a foot, HU above air, with its bones at `poses` (as scanned to as filmed, patient frame, by
/// poseId(); identity where none is given): every point goes with the bones around it, the nearer the more. The grid is
/// the scanned one, grown by as far as anything went. An approximation of ours: skin neither folds nor swells.
[[nodiscard]] CtVolume softCarried(const FootBodies& bodies, const std::map<std::string, Rigid>& poses);

}  // namespace rayset
