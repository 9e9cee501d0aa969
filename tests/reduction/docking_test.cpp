// The docking's forces on bodies simple enough to know where they must end.
#include "reduction/docking.h"

#include <gtest/gtest.h>

#include "geometry/surface.h"

namespace rayset::reduction {
namespace {

/// A block at rest and one that is free, with a weak prior on where it is.
Docking twoBlocks(const DistanceField& field, std::vector<DockPoint> points) {
  DockBody rest{&field, Vec3::Zero(), {}}, loose{&field, Vec3::Zero(), {}};
  PosePrior prior;
  prior.information.diagonal() << 1e4, 1e4, 1e4, 1e-3, 1e-3, 1e-3;  // it may shift, not turn
  loose.priors.push_back(prior);
  return {{rest, loose}, {{0, 1, std::move(points)}}, {}};
}

TEST(Docking, FlushPointsDrawASurfaceOntoThemFromEitherSide) {
  // The free block's top is at z = 5; points of the resting body ask for it at 6 and at 4.
  const DistanceField field(makeBox(Box(Vec3(-8, -8, -5), Vec3(8, 8, 5))), 0.5, 4);
  for (const double level : {6.0, 4.0}) {
    std::vector<DockPoint> points;
    for (int x = -4; x <= 4; x += 2) {
      for (int y = -4; y <= 4; y += 2) {
        DockPoint p;
        p.position = Vec3(x, y, level);
        p.flush = 1;
        points.push_back(p);
      }
    }
    const Docking docking = twoBlocks(field, std::move(points));
    const auto state = docking.minimise({Rigid::Identity(), Rigid::Identity()}, {1}, {true, true});
    const Vec3 shift = state.poses[1].translation();
    EXPECT_NEAR(shift.z(), level - 5, 0.02);
    EXPECT_NEAR(shift.head<2>().norm(), 0, 0.02);
  }
}

TEST(Docking, FlushPointsOutOfReachDoNotPull) {
  const DistanceField field(makeBox(Box(Vec3(-8, -8, -5), Vec3(8, 8, 5))), 0.5, 4);
  DockPoint p;
  p.position = Vec3(0, 0, 12);  // 7 mm off: beyond the band of the field
  p.flush = 1;
  const Docking docking = twoBlocks(field, {p});
  const auto state = docking.minimise({Rigid::Identity(), Rigid::Identity()}, {1}, {true, true});
  EXPECT_NEAR(state.poses[1].translation().norm(), 0, 1e-6);
}

}  // namespace
}  // namespace rayset::reduction
