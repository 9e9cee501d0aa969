// Borders between the bones of the tarsometatarsal joints: the steps and distances a surgeon reads, as places on one
// bone and the expected distance of the other bone's surface from them.
//
// A wall: the surface of one bone just behind a joint, carried straight across the joint along its normal to where the
// other bone's wall should be. A closeness: the places of one bone that are closest to the other. Their mean signed
// distance to the other bone is one figure, whose usual value comes from real feet (joint_figures.h).
#pragma once

#include <string>
#include <vector>

#include "anatomy/bones.h"
#include "geometry/distance_field.h"

namespace rayset::reduction {

/// A border of two neighbouring bones. Directions are the foot's.
struct BorderSite {
  std::string name;  ///< "C2-M2 dorsal medial", "M4-M5 closest": key in data/joints.json
  Bone from = Bone::kC1, onto = Bone::kM1;
  Vec3 across = Vec3::Zero();   ///< unit, from `from` to `onto`
  Vec3 outward = Vec3::Zero();  ///< unit, the way the wall faces; zero: a closeness
  Vec3 half = Vec3::Zero();     ///< only the part on this side of the joint's middle; zero: all of it
};
/// All borders of a foot: each ray with its tarsal bone on four sides, in two halves each; neighbouring rays dorsally,
/// plantarly and proximally; and the closeness of bones that do not articulate with each other.
[[nodiscard]] std::vector<BorderSite> borderSites(const Frame& foot);

/// The plane of a joint, fitted to the places of a bone that face the other.
struct JointPlane {
  Vec3 middle = Vec3::Zero();
  Vec3 normal = Vec3::Zero();  ///< unit, towards the other bone
  double size_mm = 0;          ///< from the middle to the farthest place; 0: no joint
  [[nodiscard]] bool found() const { return size_mm > 0; }
};
/// `across`: any direction roughly towards the other bone. Not found if all weights are zero.
[[nodiscard]] JointPlane jointPlane(const Points& places, const std::vector<double>& weights, const Vec3& across);

/// The wall of `site` behind `joint`, carried across; frame of `skin` (even samples of the bone `from`), in which the
/// directions of the site are given. Empty if too few samples show it.
[[nodiscard]] Points carriedWall(const std::vector<OrientedPoint>& skin, const JointPlane& joint,
                                 const BorderSite& site);
/// Places of a bone, about one per square millimetre; those closest to another bone count. For a metatarsal, only
/// within 20 mm of its proximal end along `distal`.
[[nodiscard]] Points closenessPlaces(const Surface& bone, bool metatarsal, const Vec3& distal);
/// The number of them that count (square millimetres).
inline constexpr std::size_t kClosePlaces = 20;

}  // namespace rayset::reduction
