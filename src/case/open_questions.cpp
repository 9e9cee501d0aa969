#include "case/open_questions.h"

#include <fmt/format.h>

#include <algorithm>

#include "base/words.h"

namespace rayset {
namespace {

OpenQuestion ofRay(const RayReduction& r, bool other_foot) {
  OpenQuestion q;
  q.ray = r.ray;
  q.what = Message("case.cannot_told_whether_ray_displaced",
                   {{"ray", nameOf(r.ray)}, {"why", r.doubt.empty() ? "no" : "yes"}, {"doubt", r.doubt}});
  // If the other foot was given, it did not settle this.
  q.settle = Message("case.weight_bearing_film_would_settle_else", {{"other", other_foot ? "given" : "missing"}});
  if (!other_foot) q.remedies.push_back(Remedy::kOtherFoot);
  q.remedies.insert(q.remedies.end(), {Remedy::kFilm, Remedy::kPlaceByHand});
  return q;
}

OpenQuestion ofBones(std::vector<Bone> bones) {
  std::vector<std::string> ids;
  for (const Bone b : bones) ids.emplace_back(boneId(b));
  OpenQuestion q;
  q.what = Message("case.plan_stands_may_wrong_more_mm",
                   {{"count", bones.size()}, {"error", mm(kDoubtfulErrorMm, -1)}, {"ids", all(ids)}});
  q.settle = Message("case.check_images_correct_hand", {{"count", bones.size()}});
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

Message inWords(const OpenQuestion& q) { return sentence(then(q.what, q.settle)); }

void recogniseQuestions(Case& c, const Words& words) {
  for (const OpenQuestion& q : openQuestions(c)) {
    const Message said = inWords(q);
    std::replace_if(
        c.cautions.begin(), c.cautions.end(),
        [text = words.text(said), &words](const Message& m) { return m.is("text") && words.text(m) == text; }, said);
  }
}

std::vector<Bone> doubtfulBones(const std::map<Bone, SegmentedBone>& bones) {
  std::vector<Bone> out;
  for (const auto& [id, bone] : bones) {
    if (isMidfootBone(id) && bone.confidence < kDoubtful) out.push_back(id);
  }
  return out;
}

}  // namespace rayset
