// The data files of the program and the segmenter, read once at its start and handed down: a function takes the piece
// it needs, one that runs several stages takes the sum.
#pragma once

#include <filesystem>
#include <memory>

#include "base/result.h"
#include "bones/segmenter.h"
#include "case/followup.h"
#include "fixation/catalogue.h"
#include "injury/limits.h"
#include "reduction/joint_figures.h"

namespace rayset {

struct Resources {
  Limits limits;                 ///< limits.json
  Catalogue catalogue;           ///< implants.json
  reduction::JointNorms joints;  ///< joints.json
  FollowupRules followup;        ///< followup.json
  /// What finds the bones: the template segmenter, unless whoever read these puts another in its place. Never null.
  std::shared_ptr<const Segmenter> segmenter;
};

/// Reads the folder. The first file that cannot be used is the error, named, with the entry at fault.
[[nodiscard]] Result<Resources> readResources(const std::filesystem::path& folder);

}  // namespace rayset
