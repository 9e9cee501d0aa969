// The program's data files, read once at start-up and passed down: a function takes the piece it needs, or all of them
// if it runs several stages.
#pragma once

#include <filesystem>

#include "base/result.h"
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
};

/// Reads the folder. The error names the first unusable file and the entry at fault.
[[nodiscard]] Result<Resources> readResources(const std::filesystem::path& folder);

}  // namespace rayset
