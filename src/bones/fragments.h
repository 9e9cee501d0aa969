// Broken bones among the labels: pieces of the second metatarsal's base that stand apart from it.
//
// How. A piece that is broken off is parted from its bone all round: the line along which the break meets the surface
// of the bone crosses cortex everywhere, and there it is dark. In a whole bone any line that rings a part of it runs
// through bright cortex. So the bone is first parted too much: into the patches of bright cortex that hang together,
// from which it is flooded, dark sheets costing most. Then patches are joined wherever the ring between them (the rim)
// shows bright cortex. What is left apart is a piece. Cancellous bone, whose pores and noise look like cracks, takes no
// part in the decision.
#pragma once

#include "bones/deform.h"

namespace rayset::bones {

inline constexpr int kMostFragments = 6;

struct FragmentSettings {
  double reach_mm = 26;   ///< of the bone from its proximal end that is searched
  double least_mm3 = 60;  ///< smaller pieces are flecks, or nothing
  double least_fleck_mm3 = 15, most_fleck_mm3 = 200;
  double seed_level = 0.92;    ///< of the cortex's level above soft tissue: patches of cortex brighter than this
  double bright_level = 0.40;  ///< of the same: the rim counts as cortex above it
  double sure = 0.22;          ///< a piece is certain when at most this share of its rim is bright...
  double doubtful = 0.55;      ///< ...and worth a caution up to this share
};

/// A piece seen in the second metatarsal's base.
struct FoundFragment {
  std::uint8_t label = 0;  ///< its voxels' label; 0 where it was left in its bone for doubt
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

/// Finds pieces in the second metatarsal's base and gives them labels of their own in `labels` (on scan.grey's grid).
/// `posed`: the fitted template bones before they were bent to the labels. An unbroken bone's labels are not touched.
[[nodiscard]] FragmentFindings findFragments(const ScanImage& scan, const std::vector<DeformedBone>& posed,
                                             std::vector<std::uint8_t>& labels, const FragmentSettings& settings = {});

}  // namespace rayset::bones
