// The whole chain on invented patients whose truth is known, without DICOM in between. Bounds are the marks of the
// accuracy issue where they are met, and what was measured (with a margin of a quarter) where they are not yet;
// docs/accuracy.md has the table.
#include "case/case.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "anatomy/procedural_foot.h"
#include "base/units.h"
#include "english.h"
#include "geometry/ray_caster.h"
#include "phantom/injury_spec.h"
#include "phantom/scan.h"
#include "resources.h"

namespace rayset {
namespace {

using testing::HasSubstr;

CtScan scanOf(const std::vector<ScannedPart>& parts, double spacing) {
  ScanSettings settings;
  settings.pixel_mm = settings.slice_mm = spacing;
  auto ct = synthesiseCt(parts, settings);
  EXPECT_TRUE(ct.has_value());
  return {std::move(*ct), {}, {}};
}

TEST(PlanScan, ProceduralFootOfAnotherShapeThanTheTemplate) {
  const Foot foot = proceduralFoot(randomShape(6), Side::kLeft);
  const auto injured = injure(foot.bones, Side::kLeft, namedInjury(NamedInjury::kMedialPartial));
  ASSERT_TRUE(injured.has_value()) << english(injured.error());
  const auto c = planScan(scanOf(scannedParts(*injured), 0.6), std::nullopt, {}, test::resources());
  ASSERT_TRUE(c.has_value()) << english(c.error());
  EXPECT_EQ(c->side, Side::kLeft);
  EXPECT_FALSE(c->partial);
  for (const Bone bone : kMidfootBones) {
    ASSERT_TRUE(c->bones.contains(bone)) << boneId(bone);
    EXPECT_LT(compareSurfaces(c->bones.at(bone).surface, injured->injured.at(bone)).mean, 0.20) << boneId(bone);
    EXPECT_TRUE(isClosed(c->bones.at(bone).surface)) << boneId(bone);
  }
  EXPECT_EQ(c->patterns.myerson.value, "B1");
  EXPECT_EQ(c->patterns.hardcastle.value, "B");
  for (const Ray ray : kRays) {
    EXPECT_EQ(c->rays.at(ray).displaced, ray <= 2) << "ray " << ray;
    const Vec3 at = injured->intact_to_injured[ray] * injured->base_points.at(ray);
    const double error =
        (c->reduction.rays.at(ray).injured_to_reduced * at - injured->intact_to_injured[ray].inverse() * at).norm();
    EXPECT_LT(error, c->reduction.rays.at(ray).uncertainty_mm) << "ray " << ray;
  }
  int definitive = 0;
  for (const Device& d : c->fixation.devices) {
    definitive += d.stage == DeviceStage::kDefinitive ? 1 : 0;
    EXPECT_EQ(d.checks.inside_fraction, 1.0) << d.id;
    EXPECT_TRUE(d.checks.other_bones.empty()) << d.id;
    EXPECT_GT(d.checks.nearest_device_mm, 0) << d.id;
  }
  EXPECT_EQ(definitive, 5);
  const auto json = planJson(*c, english());
  EXPECT_EQ(json.at("side"), "left");
  EXPECT_EQ(json.at("injury").at("rays").size(), 5u);
}

TEST(PlanScan, BothFeetInOneScanTheInjuredOneIsFoundAndTheOtherOneServesAsModel) {
  const Foot right = proceduralFoot(randomShape(4));
  const auto injured = injure(right.bones, Side::kRight, namedInjury(NamedInjury::kHomolateral));
  ASSERT_TRUE(injured.has_value());
  // The other foot beside it, turned by some degrees: nobody lies perfectly symmetric.
  BoneSurfaces left;
  const Rigid beside = turnAbout(Vec3::Zero(), Vec3(0.05, -0.04, 0.1), Vec3(120, 6, -4));
  for (const auto& [bone, surface] : mirrored(right.bones)) left.emplace(bone, transformed(surface, beside));
  auto parts = scannedParts(*injured);
  for (const auto& part : scannedParts(left, 1)) parts.push_back(part);
  const auto c = planScan(scanOf(parts, 0.8), std::nullopt, {}, test::resources());
  ASSERT_TRUE(c.has_value()) << english(c.error());
  EXPECT_EQ(c->side, Side::kRight);
  EXPECT_EQ(c->other_foot, "same scan");
  EXPECT_EQ(c->reduction.method, ReductionMethod::kContralateral);
  EXPECT_EQ(c->patterns.myerson.value, "A");
  for (const Ray ray : kRays) {
    const Rigid truth = injured->intact_to_injured[ray].inverse();
    const Vec3 at = injured->intact_to_injured[ray] * injured->base_points.at(ray);
    EXPECT_LT((c->reduction.rays.at(ray).injured_to_reduced * at - truth * at).norm(), 1.5) << "ray " << ray;
    EXPECT_LT(
        toDegrees(rotationAngle(c->reduction.rays.at(ray).injured_to_reduced.linear() * truth.linear().transpose())),
        3.0)
        << "ray " << ray;
  }
  const bool compared =
      std::any_of(c->measures.begin(), c->measures.end(), [](const Measure& m) { return m.difference.has_value(); });
  EXPECT_TRUE(compared);
}

TEST(PlanScan, WrongRequestsAreRefusedBeforeAnythingLong) {
  CtScan scan, other;
  scan.info.patient_id = "A";
  other.info.patient_id = "B";
  PlanRequest request;
  request.other = "other";
  const auto refused = planScan(std::move(scan), std::move(other), request, test::resources());
  ASSERT_FALSE(refused.has_value());
  EXPECT_EQ(refused.error().fault, Fault::kRequest);
  EXPECT_THAT(english(refused.error()), HasSubstr("(0010,0020)"));
}

TEST(PlanScan, CancelledAtOnce) {
  const std::atomic<bool> stop{true};
  Progress progress;
  progress.stop = &stop;
  Grid grid;
  grid.size = {64, 64, 64};
  CtScan scan{CtVolume(grid, -1000), {}, {}};
  const auto ended = planScan(std::move(scan), std::nullopt, {}, test::resources(), progress);
  ASSERT_FALSE(ended.has_value());
}

}  // namespace
}  // namespace rayset
