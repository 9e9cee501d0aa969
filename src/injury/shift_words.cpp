#include "injury/shift_words.h"

#include <cmath>

namespace rayset {

std::vector<Message> shiftParts(double lateral_mm, double dorsal_mm, double distal_mm, double least_mm, Unit unit) {
  std::vector<Message> out;
  const auto add = [&](double shift, const char* positive, const char* negative) {
    if (std::abs(shift) >= least_mm)
      out.push_back({shift >= 0 ? positive : negative, {{"amount", Quantity{std::abs(shift), unit, 1}}}});
  };
  add(lateral_mm, "way.shift_lateral", "way.shift_medial");
  add(dorsal_mm, "way.shift_dorsal", "way.shift_plantar");
  add(distal_mm, "way.shift_distal", "way.shift_proximal");
  return out;
}

}  // namespace rayset
