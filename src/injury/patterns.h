// Names for the pattern of displaced rays: Quenu and Kuss 1909, Hardcastle 1982, Myerson 1986, columns (Chiodo and
// Myerson 2001).
#pragma once

#include <array>
#include <string>
#include <string_view>
#include <vector>

#include "base/message.h"
#include "injury/displacement.h"

namespace rayset {

/// Direction of a ray's displacement, for naming. A ray has one direction only: to a side if the sideways part of its
/// shift counts, otherwise dorsal or plantar.
enum class RayDirection { kInPlace, kMedial, kLateral, kDorsal, kPlantar };

/// The sideways part counts from 2 mm (enough by itself to make a ray displaced) or from half of the whole shift,
/// whichever is less: for a ray shifted by 2 mm, 1 mm sideways is enough, while one 8 mm dorsal and 1.5 mm lateral is
/// dorsal. Our choice.
inline constexpr double kSidedFromMm = kDisplacedFromMm;
inline constexpr double kSidedFromFraction = 0.5;
[[nodiscard]] RayDirection rayDirection(const RayDisplacement& d);

struct PatternName {
  std::string value;  ///< as in the plan contract
  Message reason;     ///< the rule that fired, in words, naming the rays
};

struct Patterns {
  PatternName quenu_kuss;            ///< homolateral | isolated | divergent | none | unclassified
  PatternName hardcastle;            ///< A | B | C | none | unclassified
  PatternName myerson;               ///< A | B1 | B2 | C1 | C2 | none | unclassified
  std::vector<std::string> columns;  ///< of medial, middle, lateral
};

/// Used in place of a name that depends on a ray that may or may not be displaced (plan contract).
inline constexpr std::string_view kCannotBeTold = "cannot be told";

/// The columns of the midfoot (Chiodo and Myerson 2001) and their rays.
struct Column {
  std::string_view name;
  Ray first, last;
  [[nodiscard]] constexpr bool has(Ray ray) const { return ray >= first && ray <= last; }
};
inline constexpr std::array<Column, 3> kColumns{
    {{"medial", Ray(1), Ray(1)}, {"middle", Ray(2), Ray(3)}, {"lateral", Ray(4), Ray(5)}}};

/// If a ray is not `told`, a name is given only if both possibilities lead to it; otherwise it is kCannotBeTold, and
/// the reason gives both names. Columns are those of the likelier possibility. The same applies where the interval of a
/// ray's shift (`within_mm`, its radius; absent: known) leaves open whether it went to a side. Where a ray is absent
/// because it could not be measured, a name is given only if every possible displacement of it leads to the same one.
/// Rules and their sources: docs/decisions/patterns.md.
[[nodiscard]] Patterns classify(const PerRay<RayDisplacement>& rays, const PerRay<double>& within_mm = {});

/// A ray whose shift is so near the limit that it may be on the other side of it, if that would change a name.
struct CloseCall {
  Ray ray;
  Patterns other;  ///< with the ray on the other side of the limit
};

/// `within_mm`: half-width of the interval of each ray's shift. Considers one ray at a time; omits rays that stay
/// exactly as scanned and rays whose side of the limit changes no name.
[[nodiscard]] std::vector<CloseCall> closeCalls(const PerRay<RayDisplacement>& rays, const PerRay<double>& within_mm);

}  // namespace rayset
