// Corrections by hand through the reduction and the whole chain.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>

#include "anatomy/procedural_foot.h"
#include "base/units.h"
#include "case/case.h"
#include "case/corrections.h"
#include "english.h"
#include "injury/displacement.h"
#include "phantom/injury_spec.h"
#include "phantom/scan.h"
#include "resources.h"

namespace rayset {
namespace {

using testing::Contains;
using testing::HasSubstr;

const InjuredFoot& injuredFoot() {
  static const InjuredFoot foot =
      *injure(proceduralFoot(randomShape(6), Side::kLeft).bones, Side::kLeft, namedInjury(NamedInjury::kMedialPartial));
  return foot;
}
const BoneSurfaces& prior() {
  static const BoneSurfaces bones = mirrored(proceduralFoot({}, Side::kRight, 1.0).bones);
  return bones;
}
Result<CorrectedReduction> reduced(const Edits& edits) {
  return reduceCorrected(edits, injuredFoot().injured, Side::kLeft, nullptr, prior(), test::resources().joints);
}
/// Without any edit; made once.
const ReductionResult& plainReduction() {
  static const ReductionResult plain = reduced({})->reduction;
  return plain;
}
double baseError(const ReductionResult& r, Ray ray) {
  const Vec3 at = injuredFoot().intact_to_injured[ray] * injuredFoot().base_points.at(ray);
  return (r.rays.at(ray).injured_to_reduced * at - injuredFoot().base_points.at(ray)).norm();
}

TEST(Poses, AreHonouredExactlyAndTheOthersSettleAround) {
  // The second ray where it truly belongs, to the last bit; the third given the program's own place.
  Edits e;
  e.poses.push_back({Ray(2), injuredFoot().intact_to_injured.at(Ray(2)).inverse(), {}, false});
  const auto given = reduced(e);
  ASSERT_TRUE(given.has_value()) << english(given.error());
  const RayReduction& second = given->reduction.rays.at(Ray(2));
  EXPECT_EQ(second.injured_to_reduced.matrix(), injuredFoot().intact_to_injured.at(Ray(2)).inverse().matrix());
  EXPECT_TRUE(second.by_hand);
  EXPECT_EQ(second.uncertainty_mm, 0);
  EXPECT_FALSE(given->reduction.rays.at(Ray(1)).by_hand);
  EXPECT_GT(given->reduction.rays.at(Ray(1)).uncertainty_mm, 0);
  EXPECT_EQ(given->reduction.reduced.at(Bone::kM2).vertices.front(),
            second.injured_to_reduced * injuredFoot().injured.at(Bone::kM2).vertices.front());
  ASSERT_EQ(given->applied.size(), 1U);

  // A place far from the best one: the neighbours keep clear of it instead of ignoring it.
  Edits aside;
  aside.poses.push_back({Ray(2),
                         turnAbout(Vec3::Zero(), Vec3::Zero(), 5 * plainReduction().frame.medial) *
                             plainReduction().rays.at(Ray(2)).injured_to_reduced,
                         {},
                         false});
  const auto moved = reduced(aside);
  ASSERT_TRUE(moved.has_value());
  EXPECT_EQ(moved->reduction.rays.at(Ray(2)).injured_to_reduced.matrix(), aside.poses[0].injured_to_reduced->matrix());
  EXPECT_GT((moved->reduction.rays.at(Ray(1)).injured_to_reduced.matrix() -
             plainReduction().rays.at(Ray(1)).injured_to_reduced.matrix())
                .norm(),
            0.05)
      << "the first ray must feel the second";
}

TEST(Poses, StepsMoveTheBaseFromWhereItWouldStand) {
  Edits e;
  RayStep step;
  step.lateral_mm = 2;
  step.dorsal_mm = -1;
  step.abduction_rad = toRadians(5);
  e.poses.push_back({Ray(1), {}, step, false});
  const auto moved = reduced(e);
  ASSERT_TRUE(moved.has_value()) << english(moved.error());
  const Vec3 before = reducedBasePoint(Ray(1), plainReduction(), {});
  const Rigid by = moved->reduction.rays.at(Ray(1)).injured_to_reduced *
                   plainReduction().rays.at(Ray(1)).injured_to_reduced.inverse();
  const Vec3 shift = plainReduction().frame.components(by * before - before);  // medial, distal, dorsal
  EXPECT_NEAR(shift.x(), -2, 1e-9);
  EXPECT_NEAR(shift.y(), 0, 1e-9);
  EXPECT_NEAR(shift.z(), -1, 1e-9);
  EXPECT_NEAR(toDegrees(rotationAngle(by.linear())), 5, 1e-6);
}

TEST(Poses, AStartDoesNotBind) {
  Edits e;
  e.poses.push_back({Ray(2), injuredFoot().intact_to_injured.at(Ray(2)).inverse(), {}, true});
  const auto started = reduced(e);
  ASSERT_TRUE(started.has_value());
  EXPECT_FALSE(started->reduction.rays.at(Ray(2)).by_hand);
  EXPECT_GT(started->reduction.rays.at(Ray(2)).uncertainty_mm, 0);
  EXPECT_LT(baseError(started->reduction, Ray(2)), 1.5);
}

TEST(Landmarks, TheBasePointIsWhereShiftsAreRead) {
  const Rigid X = plainReduction().rays.at(Ray(2)).injured_to_reduced;
  const Vec3 own = X.inverse() * reducedBasePoint(Ray(2), plainReduction(), {});
  Edits e;
  e.landmarks.push_back({Ray(2), own + Vec3(3, 0, 0), {}});
  const auto set = reduced(e);
  ASSERT_TRUE(set.has_value()) << english(set.error());
  EXPECT_LT((reducedBasePoint(Ray(2), set->reduction, set->overrides) -
             set->reduction.rays.at(Ray(2)).injured_to_reduced * (own + Vec3(3, 0, 0)))
                .norm(),
            1e-9);
  // The axis of the second ray is the foot's distal direction.
  const Vec3 tilted = Eigen::AngleAxisd(toRadians(4), plainReduction().frame.dorsal) *
                      (X.linear().transpose() * plainReduction().frame.distal);
  e.landmarks = {{Ray(2), {}, tilted}};
  const auto turned = reduced(e);
  ASSERT_TRUE(turned.has_value());
  const Frame& f = turned->reduction.frame;
  EXPECT_LT((f.distal - turned->reduction.rays.at(Ray(2)).injured_to_reduced.linear() * tilted).norm(), 1e-9);
  EXPECT_NEAR(f.distal.dot(f.medial), 0, 1e-12);
  EXPECT_LT((f.medial.cross(f.distal) - f.dorsal).norm(), 1e-9) << "left foot";
}

TEST(Corrections, ThatDoNotFitAreRefused) {
  Edits e;
  e.file = "e.json";
  e.poses.push_back({Ray(2), Rigid(Eigen::Translation3d(0, 0, 200)), {}, false});
  const auto far = reduced(e);
  ASSERT_FALSE(far.has_value());
  EXPECT_EQ(far.error().fault, Fault::kRequest);
  EXPECT_EQ(far.error().where, "e.json, poses[0].injured_to_reduced");
  EXPECT_THAT(english(far.error().what), HasSubstr("200 mm"));
  e.poses.clear();
  e.landmarks.push_back({Ray(2), injuredFoot().base_points.at(Ray(5)), {}});
  EXPECT_EQ(reduced(e).error().where, "e.json, landmarks[0].base_point");
  BoneSurfaces without = injuredFoot().injured;
  without.erase(Bone::kM4);
  e.landmarks.clear();
  e.poses.push_back({Ray(4), {}, RayStep{}, false});
  const auto gone = reduceCorrected(e, without, Side::kLeft, nullptr, prior(), test::resources().joints);
  ASSERT_FALSE(gone.has_value());
  EXPECT_EQ(gone.error().where, "e.json, poses[0].ray");
  EXPECT_THAT(english(gone.error().what), HasSubstr("fourth metatarsal was not found"));
}

TEST(PlanScan, WithEditsPlansEverythingAfterThemAnew) {
  ScanSettings settings;
  settings.pixel_mm = settings.slice_mm = 0.7;
  settings.proximal_crop_mm = 12;
  auto ct = synthesiseCt(scannedParts(injuredFoot()), settings);
  ASSERT_TRUE(ct.has_value());
  // A wire left in the intermediate cuneiform: the program must say so of this bone, and not of those far from it.
  const Vec3 in_c2 = centroid(injuredFoot().injured.at(Bone::kC2));
  for (double z = 0; z < 12; z += 0.3)
    for (double x = -1.2; x <= 1.2; x += 0.3)
      for (double y = -1.2; y <= 1.2; y += 0.3) {
        const Vec3 i = ct->grid.toIndex(in_c2 + Vec3(x, y, z));
        ct->at(static_cast<int>(std::lround(i.x())), static_cast<int>(std::lround(i.y())),
               static_cast<int>(std::lround(i.z()))) = 3071;
      }
  const Rigid truth = injuredFoot().intact_to_injured.at(Ray(1)).inverse();
  PlanRequest request;
  request.edits.file = "here/e.json";
  request.edits.source = {{"schema", "rayset.edits/1"}};
  request.edits.removals = {Bone::kM5};
  request.edits.renames = {{Bone::kM3, Bone::kM4}, {Bone::kM4, Bone::kM3}};  // wrong on purpose
  request.edits.poses.push_back({Ray(1), truth, {}, false});
  const auto c = planScan({std::move(*ct), {}, {}}, std::nullopt, request, test::resources());
  ASSERT_TRUE(c.has_value()) << english(c.error());
  EXPECT_TRUE(c->partial) << "a bone is missing";
  EXPECT_FALSE(c->bones.contains(Bone::kM5));
  EXPECT_FALSE(c->rays.contains(Ray(5)));
  EXPECT_TRUE(c->bones.at(Bone::kM4).by_hand);
  EXPECT_FALSE(c->bones.at(Bone::kM2).by_hand);
  EXPECT_LT((centroid(c->bones.at(Bone::kM4).surface) - centroid(injuredFoot().injured.at(Bone::kM3))).norm(), 2);
  EXPECT_THAT(c->bones.at(Bone::kC2).doubts, Contains(Doubt::kMetal));
  EXPECT_TRUE(c->bones.at(Bone::kM1).doubts.empty()) << c->bones.at(Bone::kM1).doubt;
  EXPECT_GT(c->bones.at(Bone::kM1).confidence, 0.9);
  // What follows stands on the pose given: displacement, pattern, devices in the reduced pose.
  EXPECT_EQ(c->reduction.rays.at(Ray(1)).injured_to_reduced.matrix(), truth.matrix());
  // medial-partial: 5.5 mm medial, 3.5 mm dorsal. Without the fifth metatarsal directions are the coarse frame's, which
  // lies 15 degrees off on the invented foot (Feet.CoarseFrameOfTheTarsusIsWithinAboutTenDegrees).
  EXPECT_NEAR(c->rays.at(Ray(1)).asideMm(), std::hypot(5.5, 3.5), 0.3);
  EXPECT_NEAR(c->rays.at(Ray(1)).lateral_mm, -5.5, 1.2);
  EXPECT_NEAR(c->rays.at(Ray(1)).dorsal_mm, 3.5, 1.2);
  const RayDisplacement moved = displacement(Ray(1), injuredFoot().intact_to_injured.at(Ray(1)),
                                             injuredFoot().base_points.at(Ray(1)), c->reduction.frame);
  EXPECT_NEAR(c->rays.at(Ray(1)).lateral_mm, moved.lateral_mm, 0.3);
  EXPECT_NEAR(c->rays.at(Ray(1)).dorsal_mm, moved.dorsal_mm, 0.3);
  for (const Device& d : c->fixation.devices) EXPECT_NE(d.ray, 5);
  ASSERT_TRUE(c->edits.has_value());
  EXPECT_EQ(c->edits->file, "e.json");
  EXPECT_EQ(c->edits->applied.size(), 4U);
  for (const auto& text : c->edits->applied)
    EXPECT_THAT(english(c->cautions), Contains("Corrected by hand: " + english(text)));
  const auto json = planJson(*c, english());
  EXPECT_EQ(json.at("edits").at("request").at("schema"), "rayset.edits/1");
  bool missing = false;
  for (const auto& m : json.at("missing"))
    missing = missing || (m.at("id") == "M5" && m.at("doubts").at(0) == "not found");
  EXPECT_TRUE(missing);
}

}  // namespace
}  // namespace rayset
