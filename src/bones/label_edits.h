// Corrections by hand in the label image of one foot: seeds before the labelling, everything else after it.
#pragma once

#include <map>
#include <set>

#include "bones/edits.h"
#include "bones/labelling.h"

namespace rayset::bones {

/// The voxels marked by the seeds, in the order of the file; a voxel near seeds of two bones goes to the nearer one.
/// kRequest where a seed lies in soft tissue or away from this foot.
[[nodiscard]] Result<std::vector<Marker>> seedMarkers(const Edits& edits, const ScanImage& scan,
                                                      const std::vector<std::uint8_t>& exterior);

struct EditedLabels {
  std::vector<std::string> applied;  ///< what was done, a sentence each
  std::set<Bone> by_hand;            ///< bones (new names) that were corrected or made
  std::set<Bone> removed;
  std::map<Bone, Bone> former;  ///< new name to the name the program had given, of renamed bones
};

/// Splits, merges, removals and renames, in this order, on the label image. Names in the edits are those the program
/// gave; `exterior` as the labelling used it. kRequest where an edit does not fit what was found.
[[nodiscard]] Result<EditedLabels> editLabels(const Edits& edits, const ScanImage& scan,
                                              const std::vector<std::uint8_t>& exterior,
                                              std::vector<std::uint8_t>& labels);

}  // namespace rayset::bones
