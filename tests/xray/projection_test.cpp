#include "xray/projection.h"

#include <gtest/gtest.h>

#include "anatomy/frames.h"
#include "anatomy/procedural_foot.h"
#include "base/units.h"
#include "views.h"

namespace rayset {
namespace {

using xray_test::viewAlong;

TEST(Projection, PlacesAndProjectsInverseToEachOther) {
  const ProjectionView v = viewAlong({0.3, -0.5, 1}, {10, -4, 7}, 900, 1000, 200, 0.3, 0.7);
  for (const Vec2& at : {Vec2(0, 0), Vec2(13.5, 170.25), Vec2(199, 3)}) {
    const Vec3 on_detector = v.place(at.x(), at.y());
    const Vec3 between = v.source + 0.37 * (on_detector - v.source);
    EXPECT_NEAR((v.project(between) - at).norm(), 0, 1e-9);
  }
  EXPECT_NEAR(v.sid(), 1000, 1e-9);
  EXPECT_NEAR(v.magnification(Vec3(10, -4, 7)), 1000.0 / 900, 1e-9);  // SID / (SID - OID)
}

TEST(Projection, MovingTheExposureIsMovingTheThingTheOtherWay) {
  const ProjectionView v = viewAlong({0, 0, 1}, Vec3::Zero(), 900, 1000, 100, 0.5);
  const Rigid X = turnAbout({5, 6, 7}, {0.1, -0.2, 0.3}, {3, 2, -1});
  const Vec3 p(8, -9, 10);
  EXPECT_NEAR((v.project(X * p) - v.moved(X.inverse()).project(p)).norm(), 0, 1e-9);
}

TEST(Projection, BinningAndCroppingKeepThePlace) {
  const ProjectionView v = viewAlong({0, 1, 0}, Vec3::Zero(), 900, 1000, 90, 0.5);
  const Vec3 p(4, -3, 2);
  const Vec2 at = v.project(p);
  EXPECT_NEAR((v.binned(3).project(p) - (at - Vec2(1, 1)) / 3).norm(), 0, 1e-9);
  EXPECT_NEAR((v.cropped(7, 11, 30, 30).project(p) - (at - Vec2(7, 11))).norm(), 0, 1e-9);
}

class FootViews : public testing::TestWithParam<Side> {};

TEST_P(FootViews, StandOnHeelAndHeadsAndLookAsARadiographerExpects) {
  const Foot foot = proceduralFoot({}, GetParam(), 1.0);
  const Frame frame = footFrame(foot.bones, foot.side);
  const PlantarFrame plate = plantarFrame(foot.bones, frame, foot.side);
  EXPECT_FALSE(plate.assumed);
  // First metatarsal declination 20 to 21 degrees (Radiopaedia); the second's is close to it.
  EXPECT_NEAR(toDegrees(plate.ray_slope_rad), 20, 8);
  // Heel, first and fifth head touch the plate.
  const auto lowOf = [&](Bone b) {
    double low = 1e9;
    for (const Vec3& v : foot.bones.at(b).vertices) low = std::min(low, v.dot(plate.frame.dorsal));
    return low;
  };
  EXPECT_NEAR(lowOf(Bone::kM1), lowOf(Bone::kCal), 0.2);
  EXPECT_NEAR(lowOf(Bone::kM5), lowOf(Bone::kCal), 0.2);

  const auto middle = [&](Bone b) { return centroid(foot.bones.at(b)); };
  const auto dorsoplantar = projectionView(plate, tubePose(NamedView::kDorsoplantar20));
  ASSERT_TRUE(dorsoplantar);
  EXPECT_NEAR((dorsoplantar->source - plate.frame.origin).dot(plate.frame.distal),
              std::sin(toRadians(20)) * (1016 - 60), 1e-6);  // the tube stands distally, its beam runs to the heel
  // Toes up; seen from the tube the hallux of a right foot is on the left.
  EXPECT_LT(dorsoplantar->project(middle(Bone::kM2)).y(), dorsoplantar->project(middle(Bone::kC2)).y());
  const bool hallux_left = dorsoplantar->project(middle(Bone::kM1)).x() < dorsoplantar->project(middle(Bone::kM5)).x();
  EXPECT_EQ(hallux_left, foot.side == Side::kRight);

  const auto lateral = projectionView(plate, tubePose(NamedView::kLateral));
  ASSERT_TRUE(lateral);
  EXPECT_NEAR(std::abs(lateral->normal().dot(plate.frame.medial)), 1, 1e-9);
  EXPECT_GT((lateral->source - plate.frame.origin).dot(plate.frame.medial), 900);                // mediolateral
  EXPECT_LT(lateral->project(middle(Bone::kTal)).y(), lateral->project(middle(Bone::kM5)).y());  // dorsal up

  // From the other side the foot lies the other way round, dorsal still up.
  const auto back = projectionView(plate, tubePose(NamedView::kLateromedial));
  ASSERT_TRUE(back);
  EXPECT_LT((back->source - plate.frame.origin).dot(plate.frame.medial), -900);
  EXPECT_LT(back->project(middle(Bone::kTal)).y(), back->project(middle(Bone::kM5)).y());
  const auto toesRight = [&](const ProjectionView& v) {
    return v.project(middle(Bone::kM2)).x() > v.project(middle(Bone::kC2)).x();
  };
  EXPECT_NE(toesRight(*back), toesRight(*lateral));

  // The oblique view is taken to free the fourth ray's joint: fourth and fifth bases lie farther apart than from above.
  const auto oblique = projectionView(plate, tubePose(NamedView::kOblique30));
  ASSERT_TRUE(oblique);
  const auto apart = [&](const ProjectionView& v) {
    return std::abs(v.project(basePoint(foot.bones.at(Bone::kM4), frame.distal)).x() -
                    v.project(basePoint(foot.bones.at(Bone::kM5), frame.distal)).x());
  };
  EXPECT_GT(apart(*oblique), apart(*dorsoplantar));
}

INSTANTIATE_TEST_SUITE_P(BothSides, FootViews, testing::Values(Side::kRight, Side::kLeft));

TEST(Projection, WordsForViews) {
  for (const NamedView v : kNamedViews) {
    EXPECT_EQ(namedViewFromWord(wordOf(v)), v);
    EXPECT_TRUE(tubeFromWord(std::string(wordOf(v))));
  }
  const auto free = tubeFromWord("orbital=30,tilt=-10,sid=900");
  ASSERT_TRUE(free);
  EXPECT_NEAR(toDegrees(free->first.orbital_rad), 30, 1e-9);
  EXPECT_NEAR(toDegrees(free->first.tilt_rad), -10, 1e-9);
  EXPECT_EQ(free->first.sid_mm, 900);
  for (const char* wrong : {"", "frontal", "orbital", "orbital=", "orbital=ten", "orbital=10,", "tilt=1x", "roll=3"})
    EXPECT_FALSE(tubeFromWord(wrong)) << wrong;
}

TEST(Projection, DistancesOutOfRangeAreRefused) {
  TubePose tube;
  tube.oid_mm = 1000;
  EXPECT_FALSE(projectionView({}, tube));
  tube = {};
  tube.pixel_mm = 0;
  EXPECT_FALSE(projectionView({}, tube));
  tube = {};
  tube.tilt_rad = std::nan("");
  EXPECT_FALSE(projectionView({}, tube));
}

}  // namespace
}  // namespace rayset
