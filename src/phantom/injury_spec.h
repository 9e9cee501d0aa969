// Injuries given to an intact foot, and the truth that comes with them.
#pragma once

#include <array>
#include <map>
#include <optional>
#include <string>
#include <vector>

#include "anatomy/bones.h"
#include "base/result.h"

namespace rayset {

enum class NamedInjury { kNone, kHomolateral, kIsolated, kDivergent, kMedialPartial, kLateralPartial };
enum class BaseFragment { kNone, kShear, kButterfly, kY };

/// Shift of a ray's base (mm) and turn about that base (radians), foot frame, as in the plan contract.
struct RayInjury {
  double lateral_mm = 0, dorsal_mm = 0, distal_mm = 0;
  double abduction_rad = 0, plantarflexion_rad = 0, pronation_rad = 0;
};

struct InjurySpec {
  std::array<RayInjury, 5> rays{};
  BaseFragment fragment = BaseFragment::kNone;
  /// Extra displacement of the fragment relative to its metatarsal (mm away from it).
  double fragment_gap_mm = 1.5;
};

[[nodiscard]] InjurySpec namedInjury(NamedInjury name);
[[nodiscard]] std::optional<NamedInjury> namedInjuryFromWord(std::string_view word);
/// JSON {"rays":[{"ray":2,"shift_mm":{"lateral":..,"dorsal":..,"distal":..},"turn_deg":{"abduction":..,...}}],"fragment":"shear"}
[[nodiscard]] Result<InjurySpec> readInjurySpec(const std::filesystem::path& file);

/// An injured foot with the truth.
struct InjuredFoot {
  Side side = Side::kRight;
  BoneSurfaces intact;                       ///< where everything belongs
  BoneSurfaces injured;                      ///< as it will be scanned (main parts only)
  std::map<std::string, Surface> fragments;  ///< "M2.1": as scanned; taken out of the injured M2
  std::map<std::string, Rigid> fragment_injured_to_reduced;
  Frame frame;                               ///< foot frame of the intact foot
  std::array<Rigid, 5> intact_to_injured;    ///< per ray, patient frame
};

/// Applies the shifts and turns about each base in the foot frame of the intact foot. Displaced bones that would overlap
/// a neighbour by more than 0.2 mm are eased out along the shift's own direction or dorsally by the least that clears
/// them (bones cannot pass through each other); the truth has the pose that came out.
[[nodiscard]] Result<InjuredFoot> injure(const BoneSurfaces& intact, Side side, const InjurySpec& spec);

}  // namespace rayset
