// A shift in words: how far, and to which side of the foot.
#pragma once

#include <string>
#include <vector>

namespace rayset {

/// "6.1 mm lateral", "3.9 mm dorsal", "0.2 mm proximal": one each of lateral or medial, dorsal or plantar, distal or
/// proximal, whatever is less than `least_mm` left out. `unit`: the text between number and side.
[[nodiscard]] std::vector<std::string> shiftParts(double lateral_mm, double dorsal_mm, double distal_mm,
                                                  double least_mm = 0, const char* unit = " mm ");
/// The same of anything with these three members.
template <class Shift>
[[nodiscard]] std::vector<std::string> shiftParts(const Shift& s, double least_mm = 0, const char* unit = " mm ") {
  return shiftParts(s.lateral_mm, s.dorsal_mm, s.distal_mm, least_mm, unit);
}

}  // namespace rayset
