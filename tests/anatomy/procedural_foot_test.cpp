#include "anatomy/procedural_foot.h"

#include <gtest/gtest.h>

#include "geometry/ray_caster.h"

namespace rayset {
namespace {

const Foot& meanFoot() {
  static const Foot foot = proceduralFoot({}, Side::kRight, 0.8);
  return foot;
}

TEST(ProceduralFoot, HasSixteenClosedPartsInOnePieceEach) {
  const Foot& foot = meanFoot();
  ASSERT_EQ(foot.bones.size(), 16u);
  for (const auto& [bone, surface] : foot.bones) {
    EXPECT_TRUE(isClosed(surface)) << boneId(bone);
    const std::size_t expected = bone == Bone::kToes ? 14 : bone == Bone::kSesamoids ? 2 : 1;
    EXPECT_EQ(pieces(surface).size(), expected) << boneId(bone);
    EXPECT_GT(volume(surface), 0) << boneId(bone);
  }
}

TEST(ProceduralFoot, LeftIsTheMirrorImageOfRight) {
  const Foot right = proceduralFoot({}, Side::kRight, 2.0), left = proceduralFoot({}, Side::kLeft, 2.0);
  EXPECT_EQ(left.side, Side::kLeft);
  for (const auto& [bone, surface] : right.bones) {
    EXPECT_NEAR(centroid(left.bones.at(bone)).x(), -centroid(surface).x(), 1e-9);
    EXPECT_NEAR(volume(left.bones.at(bone)), volume(surface), 1e-6);
  }
}

}  // namespace
}  // namespace rayset
