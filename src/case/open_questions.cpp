#include "case/open_questions.h"

#include <fmt/format.h>

#include <algorithm>

#include "base/words.h"

namespace rayset {
namespace {

OpenQuestion ofRay(const RayReduction& r, bool other_foot) {
  OpenQuestion q;
  q.ray = r.ray;
  q.what = fmt::format("It cannot be told whether the {} ray is displaced{}{}.", ordinal(r.ray),
                       r.doubt.empty() ? "" : ": ", r.doubt);
  // If the other foot was given, it did not settle this.
  q.settle = fmt::format("{} weight-bearing film would settle it; else place the ray by hand.",
                         other_foot ? "A" : "A CT of the other foot or a");
  if (!other_foot) q.remedies.push_back(Remedy::kOtherFoot);
  q.remedies.insert(q.remedies.end(), {Remedy::kFilm, Remedy::kPlaceByHand});
  return q;
}

OpenQuestion ofBones(std::vector<Bone> bones) {
  const bool one = bones.size() == 1;
  std::vector<std::string> ids;
  for (const Bone b : bones) ids.emplace_back(boneId(b));
  OpenQuestion q;
  q.what = fmt::format("The plan stands on {} that may be wrong by more than {} mm ({}).", one ? "a bone" : "bones",
                       kDoubtfulErrorMm, listed(ids));
  q.settle = fmt::format("Check {0} on the images, and correct {0} by hand.", one ? "it" : "them");
  q.bones = std::move(bones);
  q.remedies = {Remedy::kCorrectBones};
  return q;
}

}  // namespace

std::vector<OpenQuestion> openQuestions(const Case& c) {
  std::vector<OpenQuestion> out;
  for (const auto& [ray, d] : c.rays)
    if (const RayReduction* r = d.told ? nullptr : find(c.reduction.rays, ray))
      out.push_back(ofRay(*r, !c.other_foot.empty()));
  if (auto doubtful = doubtfulBones(c.bones); !doubtful.empty()) out.push_back(ofBones(std::move(doubtful)));
  return out;
}

std::string inWords(const OpenQuestion& q) { return q.what + " " + q.settle; }

std::vector<Bone> doubtfulBones(const std::map<Bone, SegmentedBone>& bones) {
  std::vector<Bone> out;
  for (const auto& [id, bone] : bones) {
    if (isMidfootBone(id) && bone.confidence < kDoubtful) out.push_back(id);
  }
  return out;
}

}  // namespace rayset
