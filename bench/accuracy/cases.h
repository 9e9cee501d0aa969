// The runs of the accuracy matrix: which foot, which injury, which scan.
//
// Not the full product of all factors but a designed set. `standard`: two procedural and every real foot with each of
// the five named injuries at 0.5 mm, with and without the other foot. `varied`: every level of every factor several
// times, each factor dealt from a shuffled deck of its own, so that the factors fall together evenly. `ci`: a few small
// runs, procedural feet only, that together touch every kind of difficulty.
#pragma once

#include <array>
#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "anatomy/bones.h"
#include "phantom/patient.h"

namespace rayset::accuracy {

/// A foot of the matrix with the other foot of the same person.
struct TestFoot {
  std::string name;    ///< "procedural-3-right", "vsd-z027-left"; "vsd-z027-left~5": a stranger made of that foot
  std::string person;  ///< whose figures are left out of what is used on this foot; empty: nobody's
  Side side = Side::kRight;
  BoneSurfaces bones;
  BoneSurfaces other;  ///< in its own place; empty where there is none
};

struct AccuracyCase {
  std::string foot;
  std::string injury;  ///< "none", a named injury, "random:SEED", or "only:RAY:WAY:MM": one ray lateral, medial,
                       ///< dorsal, plantar or distal
  OtherFoot other = OtherFoot::kNone;
  double pixel_mm = 0.5, slice_mm = 0.5, noise_hu = 30, density = 1;
  ReconstructionKernel kernel = ReconstructionKernel::kStandard;
  std::array<double, 3> orientation_deg{};  ///< of the scanner against the foot, about x, y, z
  /// What else is in the way: "none", "crop MM", "cast MM HU", "staple BONE", "fragment KIND", "contact PAIRS",
  /// "narrow MM" (every joint's space), "plates MM" (cortex of joint faces; shafts have twice that), "hardened" (beam
  /// hardening by bone).
  std::string hindrance = "none";

  /// Whether the foot is one of this person's.
  [[nodiscard]] bool isOf(const std::string& person) const { return foot.rfind(person + "-", 0) == 0; }
  /// Names the run; the same settings have the same key everywhere.
  [[nodiscard]] std::string key() const;
  /// First word of the hindrance.
  [[nodiscard]] std::string hindranceKind() const;
  [[nodiscard]] nlohmann::ordered_json json() const;
};

/// "standard", "varied", "all" (both), "people" (every real foot uninjured, with each named injury and the
/// second ray alone dorsally, with and without the other foot; each ray moved alone by 3 mm one way; narrow joints,
/// thin and thick plates, another maker's look), "strangers" (the real feet changed smoothly into other sizes and
/// shapes, injuries and scans drawn by chance), "ci" or "quick" (a small part of standard). Real feet are named only
/// where their folder is there.
[[nodiscard]] std::vector<AccuracyCase> casesOf(const std::string& subset);
/// The words that casesOf() knows.
[[nodiscard]] std::vector<std::string> subsets();

/// Loads or builds the foot; kept for the next call with the same name.
[[nodiscard]] Result<const TestFoot*> testFoot(const std::string& name);

}  // namespace rayset::accuracy
