// CT measures of the midfoot, each with its value, limit and source.
#pragma once

#include <map>
#include <optional>
#include <string>
#include <vector>

#include "anatomy/bones.h"
#include "base/message.h"
#include "injury/limits.h"

namespace rayset {

struct Measure {
  std::string key;  ///< stable id, e.g. "c1_m2_distance"
  Message name;     ///< as surgeons call it
  double value = 0;
  std::string unit;             ///< "mm", "deg"
  std::optional<double> limit;  ///< of the value, or of the side difference where `limit_on_difference`
  bool limit_on_difference = false;
  bool limit_is_lower = false;       ///< abnormal below the limit rather than above
  std::optional<double> other_side;  ///< the same measure on the other foot
  std::optional<double> difference;  ///< value - other_side
  std::optional<bool> abnormal;      ///< nullopt: no published limit is suitable for a verdict (`note` says so)
  std::string source;                ///< of the limit, from data/limits.json
  std::string certainty;             ///< of the limit, as in data/limits.json
  Message note;                      ///< landmark definition and caveats in one or two sentences
  std::optional<Vec3> from, to;      ///< where it was measured, patient frame, for drawing
};

/// All measures that the bones present allow; one that cannot be taken (bone missing, joint so dislocated that the
/// bones no longer face each other) is omitted. `other`: the other foot's bones in their own place (not mirrored).
/// Measures the foot AS GIVEN (injured or reduced); `frame` is that foot's frame in its UNINJURED or reduced state, so
/// that a displaced second ray does not rotate the planes of measurement. Keys: c1_m2_distance, m1_m2_distance,
/// c1_c2_distance; dorsal_step_1..5 (positive dorsal), side_step_1..5 (positive lateral); m2_c2_medial_border,
/// m4_cub_medial_border, m1_c1_lateral_border (positive lateral); m2_c2_abduction; talo_m1_lateral,
/// talo_m1_dorsoplantar, m1_declination (deg); arch_height; protrusion_1, _3, _4, _5. A measure without a
/// limit in `limits` is not judged; its note says so.
[[nodiscard]] std::vector<Measure> ctMeasures(const BoneSurfaces& bones, Side side, const Frame& frame,
                                              const BoneSurfaces* other, const Limits& limits);
/// The same against the other foot's values known from before (`other_side` by key) in place of its bones.
[[nodiscard]] std::vector<Measure> ctMeasuresAgainst(const BoneSurfaces& bones, Side side, const Frame& frame,
                                                     const std::map<std::string, double>& other_side,
                                                     const Limits& limits);

}  // namespace rayset
