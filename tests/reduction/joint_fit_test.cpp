// JointFit on plates whose gap, step, overlap and contact are known.
#include <gtest/gtest.h>

#include <cmath>

#include "base/units.h"
#include "reduction/reduce.h"

namespace rayset {
namespace {

// A plate 12 (x, across) by 10 (z, dorsal) by 20 mm (y) in right-foot directions: distal is -y.
Surface plate(double near_y, double far_y, double z_shift = 0, double half_width = 6) {
  return makeBox(Box(Vec3(-half_width, std::min(near_y, far_y), -5 + z_shift),
                     Vec3(half_width, std::max(near_y, far_y), 5 + z_shift)));
}

TEST(JointFit, FlatPlatesShowTheirGapAndContact) {
  const Surface tarsal = plate(0, 20);
  const Surface metatarsal = plate(-1.4, -21.4);
  const JointFit fit = jointFit(metatarsal, tarsal, Vec3::UnitZ());
  EXPECT_NEAR(fit.gap_mm, 1.4, 0.02);
  EXPECT_NEAR(fit.contact_mm2, 120, 8);  // sampling: 4000 points over 1120 mm2
  EXPECT_NEAR(fit.step_mm, 0, 0.05);
  EXPECT_DOUBLE_EQ(fit.overlap_mm, 0);
}

TEST(JointFit, DorsalStepIsSigned) {
  const Surface tarsal = plate(0, 20);
  EXPECT_NEAR(jointFit(plate(-1.4, -21.4, 1.5), tarsal, Vec3::UnitZ()).step_mm, 1.5, 0.05);
  EXPECT_NEAR(jointFit(plate(-1.4, -21.4, -0.8), tarsal, Vec3::UnitZ()).step_mm, -0.8, 0.05);
}

TEST(JointFit, OverlapIsTheDeepestPenetration) {
  const Surface tarsal = plate(0, 20);
  const JointFit fit = jointFit(plate(0.7, -19.3), tarsal, Vec3::UnitZ());
  EXPECT_NEAR(fit.overlap_mm, 0.7, 0.05);
  EXPECT_LT(fit.gap_mm, 0);
}

TEST(JointFit, ShiftedPlatesFaceEachOtherOnlyWhereTheyMeet) {
  const Surface tarsal = plate(0, 20);
  Rigid aside = Rigid::Identity();
  aside.translation() = Vec3(6, 0, 0);
  const JointFit fit = jointFit(transformed(plate(-1.0, -21.0), aside), tarsal, Vec3::UnitZ());
  // Half the face, plus the strip beyond the edge from which the edge is still nearer than 2 mm and ahead.
  EXPECT_GT(fit.contact_mm2, 55);
  EXPECT_LT(fit.contact_mm2, 85);
}

TEST(JointFit, ConcentricSpheresHaveTheGapOfTheirRadii) {
  // A ball of 9 mm in a hollow of 10.2 mm: the gap is 1.2 mm everywhere.
  const Surface ball = makeSphere(Vec3::Zero(), 9, 5);
  Surface hollow = makeSphere(Vec3::Zero(), 10.2, 5);
  for (auto& t : hollow.triangles) std::swap(t[1], t[2]);  // seen from inside
  const Surface outer = makeSphere(Vec3::Zero(), 14, 5);
  const Surface shell = merged({&hollow, &outer});
  const JointFit fit = jointFit(ball, shell, Vec3::UnitZ());
  EXPECT_NEAR(fit.gap_mm, 1.2, 0.03);
  EXPECT_NEAR(fit.contact_mm2, 4 * std::numbers::pi * 81, 15);
  EXPECT_NEAR(fit.overlap_mm, 0, 1e-6);
}

TEST(JointFit, BonesFarApartHaveNoContact) {
  const JointFit fit = jointFit(plate(-15, -35), plate(0, 20), Vec3::UnitZ());
  EXPECT_DOUBLE_EQ(fit.contact_mm2, 0);
  EXPECT_NEAR(fit.gap_mm, 15, 0.5);
}

}  // namespace
}  // namespace rayset
