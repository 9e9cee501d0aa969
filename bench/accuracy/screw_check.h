// Checks devices against bone meshes without anything from the planner or the geometry library: plain triangles, plain
// rays.
#pragma once

#include <array>
#include <string>
#include <vector>

namespace rayset_check {

using Point = std::array<double, 3>;

/// Triangle soup of one closed bone.
struct Bone {
  std::string id;
  std::vector<std::array<Point, 3>> triangles;
};

struct Stick {
  std::string id;
  std::vector<std::string> through;
  Point entry, tip;
  double radius;
};

struct Verdict {
  double entry_off_cortex_mm;  ///< distance of the entry point from the first bone's surface
  double breach_mm;      ///< longest stretch of the device's wall that leaves the bones it should be in (one joint gap
                         ///< allowed)
  double breach_at_mm;   ///< where that stretch begins, from the entry
  double wrong_bone_mm;  ///< longest stretch of the wall inside a bone it should not enter
  std::string wrong_bone;
  double open_mm;            ///< where the last line of the wall enters the first bone
  double joint_gap_mm;       ///< longest stretch of the wall between the bones that is taken for the joint
  double tip_inside;         ///< 1 when the tip lies inside the last bone
  double nearest_device_mm;  ///< surface to surface, nearest other stick
  bool sound;                ///< all of it acceptable, see screw_check.cpp
};

/// Lines on the device's wall (16 around, radius r) and its axis are cut with every bone.
[[nodiscard]] std::vector<Verdict> checkDevices(const std::vector<Stick>& sticks, const std::vector<Bone>& bones);

}  // namespace rayset_check
