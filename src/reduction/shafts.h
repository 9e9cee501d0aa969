// Angles between the shafts of the metatarsals. The angle by which neighbouring shafts diverge varies little from
// person to person; the angle by which one rises above the other varies more (figures in joint_figures.h). The joints
// alone leave both undetermined.
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
/// All sites of a foot.
[[nodiscard]] std::vector<ShaftSite> shaftSites(const Frame& foot);

/// Whether enough of a metatarsal is in view for its axis `distal` to be that of its shaft: the axis of a bone cut
/// short by the field of view is only right to within 7 degrees (anatomy/frames.h).
[[nodiscard]] bool showsShaft(const Surface& metatarsal, const Vec3& distal);
/// The angles of a foot by name, for metatarsals that show their shaft and whose tarsal partner is present.
[[nodiscard]] std::map<std::string, double> shaftAngles(const BoneSurfaces& bones, const Frame& foot);

}  // namespace rayset::reduction
