// Manual corrections in the label image of one foot: seeds before labelling, everything else after it.
#pragma once

#include <map>
#include <set>

#include "base/message.h"
#include "bones/edits.h"
#include "bones/fragments.h"
#include "bones/labelling.h"

namespace rayset::bones {

/// The voxels marked by the seeds, in the order of the file; a voxel near seeds of two bones goes to the nearer one.
/// kRequest if a seed is in soft tissue or away from this foot.
[[nodiscard]] Result<std::vector<Marker>> seedMarkers(const Edits& edits, const ScanImage& scan,
                                                      const std::vector<std::uint8_t>& exterior);

struct EditedLabels {
  std::vector<Message> applied;  ///< what was done, one sentence each
  std::set<Bone> by_hand;        ///< bones (new names) that were corrected or created
  std::set<Bone> removed;
  std::map<Bone, Bone> former;  ///< for renamed bones: new name to the program's name
};

/// Splits, merges, removals and renames, in this order, on the label image. Names in the edits are the program's;
/// `exterior` as used for labelling. kRequest if an edit does not fit what was found. Merges of a fragment by its id
/// are left to mergeFragments().
[[nodiscard]] Result<EditedLabels> editLabels(const Edits& edits, const ScanImage& scan,
                                              const std::vector<std::uint8_t>& exterior,
                                              std::vector<std::uint8_t>& labels);

/// Merges of fragments by id ("M2.1": the first of `pieces`), after the search for them. The remaining fragments are
/// renumbered. kRequest if there is no such fragment.
[[nodiscard]] Status mergeFragments(const Edits& edits, FragmentFindings& pieces, std::vector<std::uint8_t>& labels,
                                    EditedLabels& edited);

}  // namespace rayset::bones
