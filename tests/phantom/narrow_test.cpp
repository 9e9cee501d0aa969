#include "phantom/narrow.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>

#include "geometry/ray_caster.h"

namespace rayset {
namespace {

BoneSurfaces twoBalls(double apart) {
  return {{Bone::kC1, makeSphere(Vec3(0, 0, 0), 10, 5)}, {Bone::kC2, makeSphere(Vec3(20 + apart, 0, 0), 10, 5)}};
}

double nearest(const Surface& a, const Surface& b) {
  const RayCaster caster({&b});
  double least = 1e9;
  for (const Vec3& p : a.vertices) least = std::min(least, caster.signedDistance(p));
  return least;
}

TEST(JointSpace, IsAsWideAsAskedFor) {
  for (const double before : {0.4, 1.5, 2.4})
    for (const double space : {0.3, 0.5, 0.8}) {
      SCOPED_TRACE(before);
      SCOPED_TRACE(space);
      const BoneSurfaces bones = withJointSpace(twoBalls(before), space);
      const Surface &a = bones.at(Bone::kC1), &b = bones.at(Bone::kC2);
      EXPECT_NEAR(nearest(a, b), space, 0.06);
      // Each has come half of the way.
      EXPECT_NEAR(bounds(a).max().x(), 10 + 0.5 * (before - space), 0.06);
      EXPECT_NEAR(bounds(b).min().x(), 10 + before - 0.5 * (before - space), 0.06);
      EXPECT_TRUE(isClosed(a));
    }
}

TEST(JointSpace, TheRestOfABoneStays) {
  const BoneSurfaces before = twoBalls(1.5), after = withJointSpace(before, 0.5);
  for (const auto& [id, surface] : after)
    for (std::size_t v = 0; v < surface.vertices.size(); ++v) {
      const Vec3& p = before.at(id).vertices[v];
      if (std::hypot(p.y(), p.z()) < 8) continue;  // where the balls are 4.5 mm apart: about 5.5 mm from the axis
      EXPECT_EQ(surface.vertices[v], p);
    }
}

TEST(JointSpace, BonesThatAreFarApartStay) {
  const BoneSurfaces before = twoBalls(5), after = withJointSpace(before, 0.5);
  for (const auto& [id, surface] : after) EXPECT_EQ(surface.vertices, before.at(id).vertices);
}

}  // namespace
}  // namespace rayset
