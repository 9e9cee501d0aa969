// Names for the pattern of displaced rays: Quenu and Kuss 1909, Hardcastle 1982, Myerson 1986, columns (Chiodo and Myerson 2001).
#pragma once

#include <array>
#include <string>
#include <vector>

#include "injury/displacement.h"

namespace rayset {

struct PatternName {
  std::string value;   ///< as in the plan contract
  std::string reason;  ///< the rule that fired, in words, naming the rays
};

struct Patterns {
  PatternName quenu_kuss;   ///< homolateral | isolated | divergent | none  | unclassified
  PatternName hardcastle;   ///< A | B | C | none | unclassified
  PatternName myerson;      ///< A | B1 | B2 | C1 | C2 | none | unclassified
  std::vector<std::string> columns;  ///< of medial, middle, lateral
};

[[nodiscard]] Patterns classify(const std::array<RayDisplacement, 5>& rays);

}  // namespace rayset
