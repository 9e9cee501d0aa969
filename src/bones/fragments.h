// Finds broken bones among the labels: pieces of the second metatarsal's base that are separate from it.
//
// Method. A broken-off piece is separated from its bone all round: the line along which the break meets the bone's
// surface crosses cortex everywhere, and is dark there. In an intact bone any line around a part of it runs through
// bright cortex. So the bone is first over-segmented: it is flooded from connected patches of bright cortex, with dark
// sheets costing most. Then patches are joined wherever the ring between them (the rim) shows bright cortex. Whatever
// remains separate is a piece. Cancellous bone, whose pores and noise look like cracks, has no part in the decision.
#pragma once

#include "bones/deform.h"

namespace rayset::bones {

inline constexpr int kMostFragments = 6;

struct FragmentSettings {
  double reach_mm = 26;   ///< length of bone searched, from its proximal end
  double least_mm3 = 60;  ///< smaller pieces are flecks, or nothing
  double least_fleck_mm3 = 15, most_fleck_mm3 = 200;
  /// As a fraction of the cortex's level above soft tissue: seed patches are brighter than this.
  double seed_level = 0.92;
  double bright_level = 0.40;  ///< likewise: the rim counts as cortex above this
  double sure = 0.22;          ///< a piece is certain if at most this share of its rim is bright...
  double doubtful = 0.55;      ///< ...and worth a caution up to this share
};

/// A piece seen in the second metatarsal's base.
struct FoundFragment {
  std::uint8_t label = 0;  ///< its voxels' label; 0 if it was left in its bone because of doubt
  double volume_mm3 = 0;   ///< of its voxels
  double rim_bright = 0;   ///< share of the rim that shows cortex, 0 to 1
};

/// A small piece of bone between the medial cuneiform and the second base that belongs to no bone.
struct FoundFleck {
  double volume_mm3 = 0;
  Vec3 centre = Vec3::Zero();  ///< local frame
};

struct FragmentFindings {
  std::vector<FoundFragment> fragments;  ///< certain ones, largest first, labels in order
  std::vector<FoundFragment> doubtful;
  std::vector<FoundFleck> flecks;
};

/// Finds pieces in the second metatarsal's base and gives them their own labels in `labels` (on scan.grey's grid).
/// `posed`: the fitted template bones before deformation. An intact bone's labels are left alone.
[[nodiscard]] FragmentFindings findFragments(const ScanImage& scan, const std::vector<DeformedBone>& posed,
                                             std::vector<std::uint8_t>& labels, const FragmentSettings& settings = {});

}  // namespace rayset::bones
