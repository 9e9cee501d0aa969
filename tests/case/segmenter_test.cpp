// The pipeline behind a segmenter that is not the template: it needs no more of one than bones/segmenter.h says.
#include "bones/segmenter.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <unistd.h>

#include <algorithm>
#include <cmath>
#include <filesystem>
#include <fstream>
#include <memory>

#include "anatomy/labels.h"
#include "anatomy/procedural_foot.h"
#include "case/case.h"
#include "case/plan_codec.h"
#include "english.h"
#include "language/spoken.h"
#include "phantom/injury_spec.h"
#include "resources.h"
#include "segmenter_contract.h"
#include "shell.h"
#include "text_file.h"

namespace rayset {
namespace {

using testing::Contains;
using testing::HasSubstr;

constexpr double kSure = 0.9, kUnsure = 0.45;
constexpr Bone kUnsureOf = Bone::kC3;
constexpr double kBoneHu = 700, kSoftHu = 50;

const InjuredFoot& truth() {
  static const InjuredFoot foot =
      *injure(proceduralFoot(randomShape(6), Side::kLeft).bones, Side::kLeft, namedInjury(NamedInjury::kMedialPartial));
  return foot;
}

/// Knows the foot beforehand and looks at no voxel.
class GivenFoot final : public Segmenter {
 public:
  [[nodiscard]] Result<BonesResult> segment(const CtVolume& ct, const BonesSettings& settings,
                                            const Progress& progress) const override {
    if (progress.cancelled()) return cancelledError();
    if (settings.edits != nullptr && settings.edits->editsBones())
      return fail(Fault::kRequest, Message::quoted("bones that are given cannot be edited"), settings.edits->file,
                  Message::quoted("Leave the edits out."));
    BonesResult out;
    out.labels = LabelVolume(ct.grid);
    SegmentedFoot& foot = out.feet.emplace_back();
    foot.side = truth().side;
    for (const auto& [bone, surface] : truth().injured) {
      SegmentedBone& b = foot.bones[bone];
      b.surface = surface;
      b.volume_mm3 = volume(surface);
      b.confidence = bone == kUnsureOf ? kUnsure : kSure;
      b.mean_hu = kBoneHu;
      fillInside(out.labels, surface, labelInScan(label(bone), 0));
    }
    foot.bones.at(kUnsureOf).evidence = NamedFigures{"given", {{"votes", 0.25}}};
    foot.bones.at(kUnsureOf).doubts = {Doubt::kFaintOutline};
    foot.bones.at(kUnsureOf).doubt = Message::quoted("nobody looked at it");
    out.cautions.push_back(Message::quoted("The bones were given, not found."));
    return out;
  }
};

/// Bone of one density in soft tissue.
CtScan plainScan() {
  Box box;
  for (const auto& [bone, surface] : truth().injured)
    for (const Vec3& v : surface.vertices) box.extend(v);
  constexpr double kMarginMm = 10;
  Grid grid;
  grid.origin = box.min() - Vec3::Constant(kMarginMm);
  grid.size = (box.sizes() + Vec3::Constant(2 * kMarginMm)).array().ceil().cast<int>();
  LabelVolume bone(grid);
  for (const auto& [id, surface] : truth().injured) fillInside(bone, surface, 1);
  CtVolume ct(grid, static_cast<std::int16_t>(kSoftHu));
  for (std::size_t v = 0; v < ct.voxels.size(); ++v)
    if (bone.voxels[v] != 0) ct.voxels[v] = static_cast<std::int16_t>(kBoneHu);
  return {std::move(ct), {}, {}};
}

Resources withGivenFoot() {
  Resources r = test::resources();
  r.segmenter = std::make_shared<GivenFoot>();
  return r;
}

TEST(AnotherSegmenter, IsPlannedWithFromItsSurfacesToPlanJson) {
  CtScan scan = plainScan();
  const auto given = GivenFoot().segment(scan.volume, {}, {});
  ASSERT_TRUE(given.has_value());
  test::expectContractKept(scan.volume, *given);

  auto c = planScan(std::move(scan), std::nullopt, {}, withGivenFoot());
  ASSERT_TRUE(c.has_value()) << english(c.error());
  EXPECT_EQ(c->side, Side::kLeft);
  EXPECT_EQ(c->bones.size(), truth().injured.size());
  for (const auto& [bone, b] : c->bones) {
    EXPECT_TRUE(b.surface.vertices == truth().injured.at(bone).vertices) << boneId(bone);
    EXPECT_EQ(b.confidence, bone == kUnsureOf ? kUnsure : kSure) << boneId(bone);
  }
  EXPECT_TRUE(c->labels.voxels == given->labels.voxels);

  // Reduction and injury.
  for (const Ray ray : kRays) {
    ASSERT_TRUE(c->reduction.rays.contains(ray)) << "ray " << ray.number();
    const Vec3 injured_base = truth().intact_to_injured[ray] * truth().base_points.at(ray);
    EXPECT_LT((c->reduction.rays.at(ray).injured_to_reduced * injured_base - truth().base_points.at(ray)).norm(), 2.0)
        << "ray " << ray.number();
    EXPECT_EQ(c->rays.at(ray).displaced, ray <= 2) << "ray " << ray.number();
  }

  // Devices keep the distance that the confidences of their bones ask for.
  const auto error_mm = [](double confidence) { return kDoubtfulErrorMm * std::sqrt(1 / confidence - 1); };
  int through_unsure = 0;
  for (const Device& d : c->fixation.devices) {
    const bool unsure = std::count(d.through.begin(), d.through.end(), boneId(kUnsureOf)) > 0;
    through_unsure += unsure ? 1 : 0;
    EXPECT_NEAR(d.checks.surface_error_mm, error_mm(unsure ? kUnsure : kSure), 1e-9) << d.id;
  }
  EXPECT_GT(through_unsure, 0);

  // What the surgeon is told.
  EXPECT_TRUE(c->partial) << "a bone is doubtful";
  EXPECT_THAT(english(c->cautions), Contains("The bones were given, not found."));
  EXPECT_THAT(english(c->cautions), Contains(HasSubstr("may be wrong by more than 0.5 mm (C3)")));

  // plan.json.
  c->timings_s["read"] = c->timings_s["report"] = 0;  // both outside planScan()
  const auto file =
      std::filesystem::temp_directory_path() / ("rayset-given-foot-" + std::to_string(getpid()) + ".json");
  std::ofstream(file) << planJson(*c, english());
  EXPECT_EQ(test::offence("plan.schema.json", file), "");
  // Its own figures come back, and nobody invents any for the others.
  const codec::Json written = codec::Json::parse(test::readAll(file));
  for (const auto& bone : written.at("bones")) {
    const bool own = bone.at("id") == boneId(kUnsureOf);
    EXPECT_EQ(bone.contains("evidence"), own) << bone.at("id");
    if (own) {
      EXPECT_EQ(bone["evidence"], (codec::Json{{"segmenter", "given"}, {"figures", {{"votes", 0.25}}}}));
    }
  }
  const Case back = planCodec().from(unspoken(written), "");
  const auto* figures = std::get_if<NamedFigures>(&back.bones.at(kUnsureOf).evidence);
  ASSERT_NE(figures, nullptr);
  EXPECT_EQ(figures->figures.at("votes"), 0.25);
  std::filesystem::remove(file);
}

TEST(AnotherSegmenter, IsGivenTheEditsAndItsRefusalIsThePlans) {
  PlanRequest request;
  request.edits.removals = {Bone::kM5};
  const auto refused = planScan(plainScan(), std::nullopt, request, withGivenFoot());
  ASSERT_FALSE(refused.has_value());
  EXPECT_EQ(refused.error().fault, Fault::kRequest);
  EXPECT_THAT(english(refused.error()), HasSubstr("cannot be edited"));
}

}  // namespace
}  // namespace rayset
