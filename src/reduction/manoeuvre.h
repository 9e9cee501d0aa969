// What the surgeon does to reduce one ray, in words.
#pragma once

#include <map>
#include <string>
#include <vector>

#include "anatomy/bones.h"
#include "base/message.h"
#include "geometry/distance_field.h"
#include "geometry/types.h"

namespace rayset::reduction {

/// Components of a movement of a ray in the foot frame. Shifts of the base in mm; turns in radians as the components of
/// the turn vector (for turns below 20 degrees these differ from a rotation sequence by well under a degree, and words
/// are rounded to whole degrees).
struct Movement {
  double lateral_mm = 0, dorsal_mm = 0, distal_mm = 0;
  double abduction_rad = 0, plantarflexion_rad = 0, pronation_rad = 0;
};
/// Movement of `injured_to_reduced` at the base point as scanned.
[[nodiscard]] Movement movementOf(const Rigid& injured_to_reduced, const Vec3& injured_base, const Frame& frame);

/// Traction beyond the reduced length that the base needs to clear the tarsus on its way back, mm. `fields`: of the
/// bones as scanned; C1 to C3 and Cub are used; `metatarsal` and its `base` as scanned.
[[nodiscard]] double clearingTraction(const std::map<Bone, DistanceField>& fields, const Surface& metatarsal,
                                      const Rigid& injured_to_reduced, const Vec3& base, const Frame& frame);

/// Steps in the order they are carried out: traction, clearing of the rim, turns, pushes, rotation, hold.
/// `clearing_mm`: traction beyond the reduced length that lets the base pass its neighbours. `kept`: the ray is where
/// it belongs. Unless the images show whether the ray is displaced (`told`), it is stressed first.
[[nodiscard]] std::vector<Message> manoeuvre(Ray ray, const Movement& back, double clearing_mm, bool kept,
                                             bool told = true);

}  // namespace rayset::reduction
