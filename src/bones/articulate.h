// Every bone of the template brought onto the scan: hindfoot and midfoot first, then each ray wherever the injury took
// it.
#pragma once

#include "bones/placing.h"

namespace rayset::bones {

/// One template bone in the scan.
struct BoneFit {
  Bone id = Bone::kM1;
  bool found = false;
  BonePose pose;
  FitResult quality;
  double shift_mm = 0;  ///< how far its base (rays) or centre lies from where the placed tarsus expects it
  std::string doubt;    ///< what speaks against it, empty if nothing
};

struct Articulation {
  std::vector<BoneFit> bones;       ///< parallel to TemplateFoot::bones
  BonePose tarsus;                  ///< pose of the whole template after the tarsus was fitted
  std::vector<std::int16_t> owner;  ///< per edge point: index of the bone it lies on, -1 none
  double tarsus_score = 0;          ///< mean smooth support of the tarsal bones, for the choice of side
};

[[nodiscard]] Articulation articulate(const TemplateFoot& foot, const Placement& placement, const EdgeField& edges,
                                      const ScanImage& scan);

/// For each edge point the bone (index) whose posed surface is nearest and faces the same way, -1 beyond `reach_mm`.
[[nodiscard]] std::vector<std::int16_t> ownersOf(const TemplateFoot& foot, const std::vector<BoneFit>& fits,
                                                 const EdgeField& edges, double reach_mm);

}  // namespace rayset::bones
