// The search for paths: candidates all over the bone, each refined, and one chosen for every device jointly. Internal
// to the fixation stage.
#pragma once

#include <vector>

#include "fixation/device_body.h"
#include "fixation/path_cost.h"

namespace rayset::fixation {

[[nodiscard]] DeviceBody bodyOf(const Rule& rule, const Candidate& c);

struct SearchSettings {
  std::size_t keep = 0;
  double apart_mm = 0;  ///< in entry or crossing; kept paths differ by more than this
  double spacing = 1;   ///< of entries and crossings, relative to the usual
};
/// Tries every entry with every crossing: the best paths given these neighbours, best first.
[[nodiscard]] std::vector<Candidate> searchAll(const Rule& rule, const Neighbours& neighbours,
                                               const SearchSettings& settings);

/// The path moved to where it costs least, with the neighbours held fixed. Nelder and Mead on its entry (two tangential
/// shifts) and crossing (two shifts in the joint's plane).
[[nodiscard]] Candidate polished(const Rule& rule, const Candidate& start, const Neighbours& neighbours);

/// A device to find a path for.
struct Wanted {
  Rule rule;
  std::vector<Candidate> found;  ///< the best, each on its own
  Candidate chosen;              ///< not possible() if there is none
};
/// Chooses one of the paths found for each device: a beam search over all devices together.
void chooseTogether(std::vector<Wanted>& devices, double wanted_gap_mm);

}  // namespace rayset::fixation
