// What a plan leaves open, and what would settle it: said before everything else, by the command line, the report and
// the page.
#pragma once

#include <map>
#include <string>
#include <vector>

#include "case/case.h"

namespace rayset {

/// What a person can do about an open question.
enum class Remedy { kOtherFoot, kFilm, kPlaceByHand, kCorrectBones };

struct OpenQuestion {
  std::optional<Ray> ray;   ///< none: of no single ray
  std::vector<Bone> bones;  ///< those that cannot be trusted
  std::string what;         ///< a sentence
  std::string settle;       ///< a sentence: what would settle it
  std::vector<Remedy> remedies;
};

/// Rays of which it cannot be told whether they are displaced, then the bones that cannot be trusted.
[[nodiscard]] std::vector<OpenQuestion> openQuestions(const Case& c);
/// Both sentences, as among the plan's cautions.
[[nodiscard]] std::string inWords(const OpenQuestion& q);

/// Of the bones that the plan stands on, those with a confidence below kDoubtful.
[[nodiscard]] std::vector<Bone> doubtfulBones(const std::map<Bone, SegmentedBone>& bones);

}  // namespace rayset
