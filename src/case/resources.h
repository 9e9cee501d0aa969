// The program's data files and its segmenter, read once at start-up and passed down: a function takes the piece it
// needs, or all of them if it runs several stages.
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

/// Reads the folder. The error names the first unusable file and the entry at fault.
[[nodiscard]] Result<Resources> readResources(const std::filesystem::path& folder);

}  // namespace rayset
