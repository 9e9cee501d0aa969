// A shift in words: how far, and to which side of the foot.
#pragma once

#include <string>
#include <vector>

#include "base/message.h"

namespace rayset {

/// "6.1 mm lateral", "3.9 mm dorsal", "0.2 mm proximal": one each of lateral or medial, dorsal or plantar, distal or
/// proximal, whatever is less than `least_mm` left out. Without `unit`: "6.1 lateral", under a heading in mm.
[[nodiscard]] std::vector<Message> shiftParts(double lateral_mm, double dorsal_mm, double distal_mm,
                                              double least_mm = 0, Unit unit = Unit::kMm);
/// The same of anything with these three members.
template <class Shift>
[[nodiscard]] std::vector<Message> shiftParts(const Shift& s, double least_mm = 0, Unit unit = Unit::kMm) {
  return shiftParts(s.lateral_mm, s.dorsal_mm, s.distal_mm, least_mm, unit);
}

}  // namespace rayset
