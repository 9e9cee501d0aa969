// CT measures of the midfoot, each with its value, limit and source.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "anatomy/bones.h"

namespace rayset {

struct Measure {
  std::string key;      ///< stable id, e.g. "c1_m2_distance"
  std::string name;     ///< in the trade's words
  double value = 0;
  std::string unit;     ///< "mm", "deg"
  std::optional<double> limit;             ///< of the value, or of the side difference where `limit_on_difference`
  bool limit_on_difference = false;
  bool limit_is_lower = false;             ///< abnormal below the limit rather than above
  std::optional<double> other_side;        ///< the same measure on the other foot
  std::optional<double> difference;        ///< value - other_side
  std::optional<bool> abnormal;            ///< nullopt: no limit worth shipping exists (says so in `note`)
  std::string source;                      ///< of the limit, from data/limits.json
  std::string certainty;                   ///< how sure we are of the limit (status code of the reference table in words)
  std::string note;                        ///< landmark definition and caveats in one or two sentences
  std::optional<Vec3> from, to;            ///< where it was measured, patient frame, for drawing
};

/// All measures that the bones present allow. `other`: the other foot's bones in their own place (not mirrored).
/// Measured on the foot AS IT STANDS (injured or reduced); `frame` is the foot frame of that foot.
[[nodiscard]] std::vector<Measure> ctMeasures(const BoneSurfaces& bones, Side side, const Frame& frame,
                                              const BoneSurfaces* other = nullptr);

}  // namespace rayset
