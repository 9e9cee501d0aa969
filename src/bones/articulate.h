// Fits every bone of the template to the scan: hindfoot and midfoot first, then each ray wherever the injury took it.
#pragma once

#include "base/message.h"
#include "bones/placing.h"

namespace rayset::bones {

/// One template bone in the scan.
struct BoneFit {
  Bone id = Bone::kM1;
  bool found = false;
  BonePose pose;
  FitResult quality;
  double shift_mm = 0;  ///< distance of its base (rays) or centre from where the placed tarsus would have it
  Message doubt;        ///< reason for doubt; empty if none
};

struct Articulation {
  std::vector<BoneFit> bones;       ///< parallel to TemplateFoot::bones
  BonePose tarsus;                  ///< pose of the whole template after fitting the tarsus
  std::vector<std::int16_t> owner;  ///< per edge point: index of the bone it is on, -1 for none
  double tarsus_score = 0;          ///< mean smooth support of the tarsal bones, for choosing the side
};

[[nodiscard]] Articulation articulate(const TemplateFoot& foot, const Placement& placement, const EdgeField& edges,
                                      const ScanImage& scan);

/// For each edge point, the index of the bone whose posed surface is nearest and faces the same way; -1 beyond
/// `reach_mm`.
[[nodiscard]] std::vector<std::int16_t> ownersOf(const TemplateFoot& foot, const std::vector<BoneFit>& fits,
                                                 const EdgeField& edges, double reach_mm);

}  // namespace rayset::bones
