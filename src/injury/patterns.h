// Names for the pattern of displaced rays: Quenu and Kuss 1909, Hardcastle 1982, Myerson 1986, columns (Chiodo and
// Myerson 2001).
#pragma once

#include <array>
#include <string>
#include <string_view>
#include <vector>

#include "injury/displacement.h"

namespace rayset {

/// Where a ray went, for naming. A ray has one direction only: to a side where the sideways part of its shift counts,
/// else up or down.
enum class RayDirection { kInPlace, kMedial, kLateral, kDorsal, kPlantar };

/// The sideways part counts from 2 mm (what alone would make a ray displaced) or from half of the whole shift,
/// whichever is less: a ray 2 mm out of place goes sideways from 1 mm on, one 8 mm dorsal and 1.5 mm lateral goes
/// dorsal. Choice of ours.
inline constexpr double kSidedFromMm = kDisplacedFromMm;
inline constexpr double kSidedFromFraction = 0.5;
[[nodiscard]] RayDirection rayDirection(const RayDisplacement& d);

struct PatternName {
  std::string value;   ///< as in the plan contract
  std::string reason;  ///< the rule that fired, in words, naming the rays
};

struct Patterns {
  PatternName quenu_kuss;            ///< homolateral | isolated | divergent | none  | unclassified
  PatternName hardcastle;            ///< A | B | C | none | unclassified
  PatternName myerson;               ///< A | B1 | B2 | C1 | C2 | none | unclassified
  std::vector<std::string> columns;  ///< of medial, middle, lateral
};

/// What stands in place of a name that depends on a ray of which it cannot be told whether it is displaced (plan
/// contract).
inline constexpr std::string_view kCannotBeTold = "cannot be told";

/// `rays` by ray - 1. Where a ray is not told, a name is given if both possibilities lead to it, else kCannotBeTold
/// with what either would be as its reason; columns are those of what is likelier. The same where the interval of a
/// ray's shift (`within_mm`, its radius, by ray - 1; 0: known) does not tell whether it went to a side. A ray that
/// could not be dealt with has ray == 0: a name is then given only where every possible displacement of it leads to the
/// same one. Rules and their sources: docs/decisions/patterns.md.
[[nodiscard]] Patterns classify(const std::array<RayDisplacement, 5>& rays,
                                const std::array<double, 5>& within_mm = {});

/// A ray whose shift lies so near the limit that it may be on the other side of it, where that changes a name.
struct CloseCall {
  int ray = 0;
  Patterns other;  ///< had the ray been on the other side of the limit
};

/// `within_mm`: half-width of the interval of each ray's shift, by ray - 1. Rays that stay exactly as scanned and rays
/// whose names do not depend on the limit are left out; one ray at a time.
[[nodiscard]] std::vector<CloseCall> closeCalls(const std::array<RayDisplacement, 5>& rays,
                                                const std::array<double, 5>& within_mm);

}  // namespace rayset
