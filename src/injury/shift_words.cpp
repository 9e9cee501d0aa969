#include "injury/shift_words.h"

#include <fmt/format.h>

#include <cmath>

namespace rayset {

std::vector<std::string> shiftParts(double lateral_mm, double dorsal_mm, double distal_mm, double least_mm,
                                    const char* unit) {
  std::vector<std::string> out;
  const auto add = [&](double mm, const char* positive, const char* negative) {
    if (std::abs(mm) >= least_mm)
      out.push_back(fmt::format("{:.1f}{}{}", std::abs(mm), unit, mm >= 0 ? positive : negative));
  };
  add(lateral_mm, "lateral", "medial");
  add(dorsal_mm, "dorsal", "plantar");
  add(distal_mm, "distal", "proximal");
  return out;
}

}  // namespace rayset
