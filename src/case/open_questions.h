// What a plan leaves open, and what would settle it. The command line, the report and the page all say this first.
#pragma once

#include <map>
#include <string>
#include <vector>

#include "base/message.h"
#include "case/case.h"
#include "language/words.h"

namespace rayset {

/// What a person can do about an open question.
enum class Remedy { kOtherFoot, kFilm, kPlaceByHand, kCorrectBones };

struct OpenQuestion {
  std::optional<Ray> ray;   ///< none if it concerns no single ray
  std::vector<Bone> bones;  ///< the unreliable ones
  Message what;             ///< a sentence
  Message settle;           ///< a sentence: what would settle it
  std::vector<Remedy> remedies;
};

/// First the rays that may or may not be displaced, then the bones that cannot be trusted.
[[nodiscard]] std::vector<OpenQuestion> openQuestions(const Case& c);
/// Both sentences, as they appear among the plan's cautions.
[[nodiscard]] Message inWords(const OpenQuestion& q);
/// A plan written without codes has its open questions among its cautions as mere text. Makes them messages again where
/// the text is what these words say, so that a question settled by hand is no longer a caution.
void recogniseQuestions(Case& c, const Words& words);

/// Those bones the plan relies on whose confidence is below kDoubtful.
[[nodiscard]] std::vector<Bone> doubtfulBones(const std::map<Bone, SegmentedBone>& bones);

}  // namespace rayset
