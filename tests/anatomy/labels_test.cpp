#include "anatomy/labels.h"

#include <gtest/gtest.h>

namespace rayset {
namespace {

// The values of the plan contract.
TEST(Labels, FragmentsFollowTheBones) {
  EXPECT_EQ(label(Bone::kM2), 2);
  EXPECT_EQ(label(Bone::kSesamoids), 16);
  EXPECT_EQ(fragmentLabel("M2.1"), 17);
  EXPECT_EQ(fragmentLabel("M2.3"), 19);
  EXPECT_EQ(fragmentId(17), "M2.1");
  EXPECT_EQ(fragmentId(19), "M2.3");
}

TEST(Labels, EveryFootHasItsOwnRange) {
  EXPECT_EQ(labelInScan(2, 0), 2);
  EXPECT_EQ(labelInScan(2, 1), 34);
  EXPECT_EQ(labelInScan(17, 2), 81);
  EXPECT_EQ(labelOfFoot(34, 1), 2);
  EXPECT_EQ(labelOfFoot(63, 1), 31);
  for (const auto& [value, foot] : {std::pair{0, 0}, {34, 0}, {2, 1}, {32, 1}, {64, 1}})
    EXPECT_EQ(labelOfFoot(static_cast<std::uint8_t>(value), static_cast<std::size_t>(foot)), 0) << value;
}

TEST(Labels, TheTwelveBonesOfAPlan) {
  for (int value = 1; value <= 16; ++value) EXPECT_EQ(isMidfootBone(static_cast<Bone>(value)), value <= 12) << value;
}

}  // namespace
}  // namespace rayset
