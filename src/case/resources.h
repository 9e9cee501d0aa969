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
#include "language/words.h"
#include "reduction/joint_figures.h"

namespace rayset {

struct Resources {
  Words words;                   ///< words/<language>.json
  Limits limits;                 ///< limits.json
  Catalogue catalogue;           ///< implants.json
  reduction::JointNorms joints;  ///< joints.json
  FollowupRules followup;        ///< followup.json
  /// What finds the bones: the template segmenter, unless whoever read these puts another in its place. Never null.
  std::shared_ptr<const Segmenter> segmenter;
};

/// Reads the folder, and the words of `language` in its folder "words". The error names the first unusable file and the
/// entry at fault.
[[nodiscard]] Result<Resources> readResources(const std::filesystem::path& folder,
                                              const std::string& language = kFirstLanguage);
/// The same with words from elsewhere.
[[nodiscard]] Result<Resources> readResources(const std::filesystem::path& folder, Words words);

}  // namespace rayset
