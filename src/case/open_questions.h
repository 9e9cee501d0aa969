// What a plan leaves open, and what would settle it. The command line, the report and the page all say this first.
#pragma once

#include <map>
#include <string>
#include <vector>

#include "case/case.h"

namespace rayset {

/// What a person can do about an open question.
enum class Remedy { kOtherFoot, kFilm, kPlaceByHand, kCorrectBones };

struct OpenQuestion {
  std::optional<Ray> ray;   ///< none if it concerns no single ray
  std::vector<Bone> bones;  ///< the unreliable ones
  std::string what;         ///< a sentence
  std::string settle;       ///< a sentence: what would settle it
  std::vector<Remedy> remedies;
};

/// First the rays that may or may not be displaced, then the bones that cannot be trusted.
[[nodiscard]] std::vector<OpenQuestion> openQuestions(const Case& c);
/// Both sentences, as they appear among the plan's cautions.
[[nodiscard]] std::string inWords(const OpenQuestion& q);

/// Those bones the plan relies on whose confidence is below kDoubtful.
[[nodiscard]] std::vector<Bone> doubtfulBones(const std::map<Bone, SegmentedBone>& bones);

}  // namespace rayset
