// Injuries applied to an intact foot, with the resulting ground truth.
#pragma once

#include <array>
#include <cstdint>
#include <filesystem>
#include <map>
#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "anatomy/bones.h"
#include "base/result.h"
#include "phantom/scan.h"

namespace rayset {

enum class NamedInjury { kNone, kHomolateral, kIsolated, kDivergent, kMedialPartial, kLateralPartial };
enum class BaseFragment { kNone, kShear, kButterfly, kY, kFleck };

inline constexpr std::array<NamedInjury, 5> kNamedInjuries{NamedInjury::kHomolateral, NamedInjury::kIsolated,
                                                           NamedInjury::kDivergent, NamedInjury::kMedialPartial,
                                                           NamedInjury::kLateralPartial};

/// Shift of a ray's base (mm) and turn about that base (radians), foot frame, as in the plan contract.
struct RayInjury {
  double lateral_mm = 0, dorsal_mm = 0, distal_mm = 0;
  double abduction_rad = 0, plantarflexion_rad = 0, pronation_rad = 0;

  [[nodiscard]] bool moves() const {
    return lateral_mm != 0 || dorsal_mm != 0 || distal_mm != 0 || abduction_rad != 0 || plantarflexion_rad != 0 ||
           pronation_rad != 0;
  }
};

struct InjurySpec {
  EachRay<RayInjury> rays;
  BaseFragment fragment = BaseFragment::kNone;
  /// Extra displacement of the fragment relative to its metatarsal (mm away from it).
  double fragment_gap_mm = 1.5;
  double fleck_mm3 = 90;  ///< size of the fleck, 20 to 200
  /// Bones pressed into contact, so that partial volume bridges their joint. The metatarsal of the pair (the first, if
  /// both are) moves towards the other bone, as injured, until they touch; that movement is part of the injury. Two
  /// tarsal bones stay in place and grow together where they face each other most closely, by half the gap each (a worn
  /// joint); this applies to the intact foot too.
  std::vector<std::pair<Bone, Bone>> contacts;
};

/// Our own magnitudes, 3 to 9 mm and 1 to 13 degrees, graded from ray to ray as a single force would:
///   homolateral      rays 1-5 lateral and dorsal             isolated        ray 1 medial and dorsal
///   divergent        ray 1 medial, rays 2-5 lateral          medial-partial  ray 1 medial, ray 2 dorsal with it
///   lateral-partial  rays 2-5 lateral and dorsal, ray 1 in place
/// Rays outside the set do not move at all.
[[nodiscard]] InjurySpec namedInjury(NamedInjury name);
/// "none", "homolateral", "isolated", "divergent", "medial-partial", "lateral-partial".
[[nodiscard]] std::optional<NamedInjury> namedInjuryFromWord(std::string_view word);
[[nodiscard]] std::string_view wordOf(NamedInjury name);
/// "none", "shear", "butterfly", "y", "fleck".
[[nodiscard]] std::optional<BaseFragment> baseFragmentFromWord(std::string_view word);
[[nodiscard]] std::string_view wordOf(BaseFragment fragment);

/// What a reader of the scan should call a named injury. Empty if the scheme has no name for it.
struct ExpectedPatterns {
  std::string quenu_kuss, hardcastle, myerson;
};
[[nodiscard]] ExpectedPatterns expectedPatterns(NamedInjury name);

/// "M1-C1,C2-C3" to pairs of the twelve midfoot bones; kRequest for anything else. And back.
[[nodiscard]] Result<std::vector<std::pair<Bone, Bone>>> contactsFromWords(const std::string& words);
[[nodiscard]] std::string wordsOf(const std::vector<std::pair<Bone, Bone>>& contacts);

/// JSON {"rays":[{"ray":2,"shift_mm":{"lateral":..,"dorsal":..,"distal":..},"turn_deg":{"abduction":..,...}}],
/// "fragment":"shear","fragment_gap_mm":1.5,"fleck_mm3":90,"contact":["M1-C1"]}; anything left out is 0. kRequest,
/// naming file and field, for anything else.
[[nodiscard]] Result<InjurySpec> readInjurySpec(const std::filesystem::path& file);
[[nodiscard]] Result<InjurySpec> parseInjurySpec(const std::string& json, const std::string& where);

/// A random injury: the set of rays and the directions of one of the five named kinds, combined lateral and dorsal
/// shifts of 3 to 12 mm and turns of up to 20 degrees. The same seed gives the same injury everywhere.
struct RandomInjury {
  NamedInjury kind = NamedInjury::kNone;
  InjurySpec spec;
};
[[nodiscard]] RandomInjury randomInjury(std::uint64_t seed);

/// An injured foot with its ground truth.
struct InjuredFoot {
  Side side = Side::kRight;
  BoneSurfaces intact;                       ///< where everything belongs
  BoneSurfaces injured;                      ///< as it will be scanned (main parts only)
  std::map<std::string, Surface> fragments;  ///< "M2.1": as scanned; taken out of the injured M2
  std::map<std::string, Rigid> fragment_injured_to_reduced;
  /// Of every piece of a broken bone ("M2", "M2.1"): the unbroken bone in the pose of that piece (ScannedPart::whole).
  std::map<std::string, Surface> whole;
  Frame frame;                       ///< foot frame of the intact foot
  EachRay<Rigid> intact_to_injured;  ///< patient frame
  PerRay<Vec3> base_points;          ///< reference point of the intact base, patient frame
  EachRay<double> eased_mm;          ///< how far the base was eased out of its neighbours
};

/// An intact foot prepared for injuries: its frame, base points and collision data (about 1.5 s of one core; each
/// injury then costs a few tenths). Cheap to copy.
class IntactFoot {
 public:
  IntactFoot(BoneSurfaces bones, Side side);

  struct Impl;
  [[nodiscard]] const Impl& impl() const { return *impl_; }

 private:
  std::shared_ptr<const Impl> impl_;
};

/// Applies the shifts and turns about each base in the foot frame of the intact foot. Displaced bones that would
/// overlap a neighbour by more than 0.2 mm (or by more than in their normal place) are eased out by the smallest
/// distance that clears them, along the shift's own direction, dorsally, distally or in between (bones cannot pass
/// through each other); the ground truth records the final pose. If 15 mm is not enough, shift and turn are reduced
/// together until the bone is clear. Rays are placed from the leading one back, each against the tarsus and the rays
/// placed before it. Toes and sesamoids go with their metatarsal. kRequest if a ray to be moved is not among the bones,
/// or if bones to be pressed into contact are missing or more than 6 mm apart.
[[nodiscard]] Result<InjuredFoot> injure(const IntactFoot& intact, const InjurySpec& spec);
[[nodiscard]] Result<InjuredFoot> injure(const BoneSurfaces& intact, Side side, const InjurySpec& spec);

/// Largest depth (mm, >= 0) to which surface samples of either bone lie inside the other.
[[nodiscard]] double overlapMm(const Surface& a, const Surface& b);

/// The parts of an injured foot for synthesiseCt; the pointers are into `foot`, which must outlive them.
[[nodiscard]] std::vector<ScannedPart> scannedParts(const InjuredFoot& foot, int number = 0);
[[nodiscard]] std::vector<ScannedPart> scannedParts(const BoneSurfaces& foot, int number = 0);

}  // namespace rayset
