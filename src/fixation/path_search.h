// The search for paths: all over the bone, then each path polished, and one chosen for every device together. Internal
// to the fixation stage.
#pragma once

#include <vector>

#include "fixation/device_body.h"
#include "fixation/path_cost.h"

namespace rayset::fixation {

[[nodiscard]] DeviceBody bodyOf(const Rule& rule, const Candidate& c);

struct SearchSettings {
  std::size_t keep = 0;
  double apart_mm = 0;  ///< in entry or crossing: kept paths differ by more than this
  double spacing = 1;   ///< of entries and crossings, against what is usual
};
/// Every entry with every crossing: the best paths beside these neighbours, best first.
[[nodiscard]] std::vector<Candidate> searchAll(const Rule& rule, const Neighbours& neighbours,
                                               const SearchSettings& settings);

/// The path moved to where it costs least, the neighbours held. Nelder and Mead on its entry (two tangential shifts)
/// and crossing (two shifts in the joint's plane).
[[nodiscard]] Candidate polished(const Rule& rule, const Candidate& start, const Neighbours& neighbours);

/// A device to find a path for.
struct Wanted {
  Rule rule;
  std::vector<Candidate> found;  ///< the best by themselves
  Candidate chosen;              ///< not possible() where there is none
};
/// Chooses of what was found for each: a beam search over all of them together.
void chooseTogether(std::vector<Wanted>& devices, double wanted_gap_mm);

}  // namespace rayset::fixation
