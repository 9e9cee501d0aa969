// Metal in a slice against what a line integral says, and a staple against the bone it sits in.
#include "phantom/metal.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <numbers>
#include <numeric>

#include "anatomy/frames.h"
#include "anatomy/procedural_foot.h"
#include "geometry/ray_caster.h"

namespace rayset {
namespace {

/// A slice of 241 x 241 pixels of 0.5 mm: a disc of water, or air alone.
struct Slice {
  MetalSlice settings;
  std::vector<float> hu;

  explicit Slice(double disc_mm, double pixel = 0.5) {
    settings.grid.size = Eigen::Vector3i(241, 241, 1);
    settings.grid.spacing = Vec3(pixel, pixel, 0.5);
    settings.grid.origin = Vec3(-120 * pixel, -120 * pixel, 0);
    settings.profile = {{0.0, 1.0F}};
    hu.assign(settings.grid.count(), -1000.0F);
    for (int j = 0; j < 241; ++j)
      for (int i = 0; i < 241; ++i)
        if (std::hypot(i - 120, j - 120) * pixel < disc_mm) hu[settings.grid.offset(i, j, 0)] = 0;
  }
  [[nodiscard]] double mean(double x, double y, double radius) const {
    double sum = 0;
    int n = 0;
    for (int j = 0; j < 241; ++j)
      for (int i = 0; i < 241; ++i)
        if ((settings.grid.toPatient(Vec3(i, j, 0)) - Vec3(x, y, 0)).norm() < radius) {
          sum += static_cast<double>(hu[settings.grid.offset(i, j, 0)]);
          ++n;
        }
    return sum / n;
  }
  [[nodiscard]] double deviation(double x, double y, double radius) const {
    const double middle = mean(x, y, radius);
    double sum = 0;
    int n = 0;
    for (int j = 0; j < 241; ++j)
      for (int i = 0; i < 241; ++i)
        if ((settings.grid.toPatient(Vec3(i, j, 0)) - Vec3(x, y, 0)).norm() < radius) {
          sum += std::pow(static_cast<double>(hu[settings.grid.offset(i, j, 0)]) - middle, 2);
          ++n;
        }
    return std::sqrt(sum / n);
  }
};

/// Two legs that stand upright in the slice, 20 mm apart along x.
Staple upright(double wire) {
  return {.a = Vec3(-10, 0, -20), .b = Vec3(10, 0, -20), .into = Vec3::UnitZ(), .leg_mm = 40, .wire_mm = wire};
}

TEST(Metal, DistanceToTheWire) {
  const Staple s = upright(2);
  EXPECT_NEAR(s.distance(Vec3(10, 0, 0)), -1, 1e-12);
  EXPECT_NEAR(s.distance(Vec3(13, 4, 0)), 4, 1e-12);
  EXPECT_NEAR(s.distance(Vec3(0, 0, -20)), -1, 1e-12) << "the bridge";
  EXPECT_NEAR(s.distance(Vec3(10, 0, 23)), 2, 1e-12) << "beyond a tip";
}

TEST(Metal, ASurfaceActsLikeTheWireItBounds) {
  const Staple s = upright(2);
  const SteelBody wire = steelBody(s), leg = steelBody(makeCylinder(Vec3(10, 0, -20), Vec3(10, 0, 20), 1, 64));
  for (const Vec3& p : {Vec3(10, 0.4, 3), Vec3(10.9, 0, -5), Vec3(11.5, 0, 8), Vec3(10, -1.7, 0)})
    EXPECT_NEAR(leg.distance(p), wire.distance(p), 0.03) << p.transpose();
  EXPECT_TRUE(wire.box.contains(Vec3(-11, 0, 20)) && wire.box.contains(Vec3(11, 1, -20)));
  EXPECT_TRUE(leg.box.contains(Vec3(10.9, 0, 19)));
}

TEST(Metal, ThinWireInAirAddsItsAttenuation) {
  // Thin: hardly any hardening, so what is added, summed over the picture, is area x attenuation of iron against water,
  // averaged over the beam (metal.cpp's table, here once more by hand).
  Slice slice(0, 0.25);
  const std::vector<float> before = slice.hu;
  ASSERT_TRUE(addMetal(slice.hu, {steelBody(upright(0.4))}, slice.settings));
  const double iron = 0.2 * 1.541 + 0.3 * 0.948 + 0.3 * 0.468 + 0.2 * 0.2925;
  const double water = 0.2 * 0.02269 + 0.3 * 0.02059 + 0.3 * 0.01837 + 0.2 * 0.01707;
  double sum = 0;
  for (const double x : {-10.0, 10.0})
    for (int j = 0; j < 241; ++j)
      for (int i = 0; i < 241; ++i)
        if ((slice.settings.grid.toPatient(Vec3(i, j, 0)) - Vec3(x, 0, 0)).norm() < 5)
          sum += static_cast<double>(slice.hu[slice.settings.grid.offset(i, j, 0)] -
                                     before[slice.settings.grid.offset(i, j, 0)]) *
                 0.0625;
  EXPECT_NEAR(sum / (2 * std::numbers::pi * 0.04 * 1000 * iron / water), 1, 0.15);
}

TEST(Metal, HardenedBeamLeavesADarkBandBetweenTheLegs) {
  Slice slice(50);
  ASSERT_TRUE(addMetal(slice.hu, {steelBody(upright(2))}, slice.settings));
  EXPECT_GT(slice.mean(10, 0, 0.6), 3000);
  EXPECT_LT(slice.mean(0, 0, 1), -100) << "on the line through both legs";
  EXPECT_GT(slice.mean(0, 0, 1), -1500);
  EXPECT_NEAR(slice.mean(0, 30, 3), 0, 30) << "away from it the water is as it was";
  EXPECT_NEAR(slice.mean(0, -30, 3), 0, 30);
}

TEST(Metal, CountsRunOutBehindMetal) {
  Slice quiet(50), noisy(50);
  noisy.settings.noise_hu = 30;
  ASSERT_TRUE(addMetal(quiet.hu, {steelBody(upright(2))}, quiet.settings));
  ASSERT_TRUE(addMetal(noisy.hu, {steelBody(upright(2))}, noisy.settings));
  for (std::size_t n = 0; n < quiet.hu.size(); ++n) noisy.hu[n] -= quiet.hu[n];
  // Most beside the metal, and on the line through both legs more than across it.
  EXPECT_GT(noisy.deviation(13, 0, 1.5), noisy.deviation(0, 30, 3) * 2);
  EXPECT_GT(noisy.deviation(25, 0, 2), noisy.deviation(0, 25, 2));
}

TEST(Metal, NothingWhereNoMetalIs) {
  Slice slice(50);
  const std::vector<float> before = slice.hu;
  Staple elsewhere = upright(2);
  elsewhere.a.z() = elsewhere.b.z() = 30;
  EXPECT_FALSE(addMetal(slice.hu, {steelBody(elsewhere)}, slice.settings));
  EXPECT_EQ(slice.hu, before);
}

TEST(Metal, StapleSitsInTheLateralWall) {
  for (const Side side : {Side::kRight, Side::kLeft}) {
    const Foot foot = proceduralFoot({}, side, 1.0);
    const Frame frame = footFrame(foot.bones, side);
    for (const Bone bone : {Bone::kCal, Bone::kCub, Bone::kC1}) {
      const Surface& surface = foot.bones.at(bone);
      const Staple staple = stapleIn(surface, frame);
      const RayCaster caster({&surface});
      EXPECT_GE(staple.leg_mm, 6) << boneId(bone);
      EXPECT_GE((staple.b - staple.a).norm(), 5) << boneId(bone);
      for (const Vec3& end : {staple.a, staple.b}) {
        EXPECT_TRUE(caster.inside(end + staple.leg_mm * staple.into)) << boneId(bone) << ": a tip";
        EXPECT_FALSE(caster.inside(end)) << boneId(bone) << ": the bridge lies on the cortex";
        EXPECT_LT(caster.nearest(end)->distance, 6) << boneId(bone);
      }
    }
  }
}

}  // namespace
}  // namespace rayset
