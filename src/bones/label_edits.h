// Corrections by hand in the label image of one foot: seeds before the labelling, everything else after it.
#pragma once

#include <map>
#include <set>

#include "bones/edits.h"
#include "bones/fragments.h"
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
/// gave; `exterior` as the labelling used it. kRequest where an edit does not fit what was found. Merges of a fragment
/// by its id are left to mergeFragments().
[[nodiscard]] Result<EditedLabels> editLabels(const Edits& edits, const ScanImage& scan,
                                              const std::vector<std::uint8_t>& exterior,
                                              std::vector<std::uint8_t>& labels);

/// Merges of fragments by id ("M2.1": the first of `pieces`), after they were looked for. The fragments that stay are
/// numbered anew. kRequest where there is no such fragment.
[[nodiscard]] Status mergeFragments(const Edits& edits, FragmentFindings& pieces, std::vector<std::uint8_t>& labels,
                                    EditedLabels& edited);

}  // namespace rayset::bones
