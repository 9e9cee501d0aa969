// The data files of the program, read once at its start and handed down: a function takes the piece it needs, one that
// runs several stages takes the sum.
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

/// Reads the folder. The first file that cannot be used is the error, named, with the entry at fault.
[[nodiscard]] Result<Resources> readResources(const std::filesystem::path& folder);

}  // namespace rayset
