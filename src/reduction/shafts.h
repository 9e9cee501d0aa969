// How the shafts of the metatarsals lie to each other. From person to person neighbouring shafts spread apart by much
// the same angle and rise over each other less alike (joint_figures.h has the figures); their joints alone leave both
// open.
#pragma once

#include <map>
#include <string>
#include <vector>

#include "anatomy/bones.h"

namespace rayset::reduction {

/// One angle between two neighbouring shafts: the part along `way` of the difference of their unit axes (second less
/// first), radians for small angles.
struct ShaftSite {
  std::string name;  ///< "M1-M2 medial": key in data/joints.json
  Ray first, second;
  Vec3 way = Vec3::Zero();  ///< unit direction of the foot
};
/// All of a foot's.
[[nodiscard]] std::vector<ShaftSite> shaftSites(const Frame& foot);

/// Whether enough of a metatarsal is there for its axis `distal` to be its shaft's: a bone that the field of view cuts
/// short keeps its axis within 7 degrees only (anatomy/frames.h).
[[nodiscard]] bool showsShaft(const Surface& metatarsal, const Vec3& distal);
/// The angles of a foot by their name; of metatarsals that show their shaft and whose tarsal partner is there.
[[nodiscard]] std::map<std::string, double> shaftAngles(const BoneSurfaces& bones, const Frame& foot);

}  // namespace rayset::reduction
