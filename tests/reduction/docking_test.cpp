// The docking's forces on bodies simple enough to know where they must end.
#include "reduction/docking.h"

#include <gtest/gtest.h>

#include "geometry/surface.h"

namespace rayset::reduction {
namespace {

constexpr double kSide = 8;  // half the width of the blocks, mm

/// A block at rest and one that is free, whose top is at z = 5, with a weak prior on where it is.
Docking twoBlocks(const DistanceField& field, std::vector<Contact> contacts, std::vector<Border> borders,
                  bool may_turn = false, std::vector<ShaftAngle> shafts = {}) {
  DockBody rest{&field, Vec3::Zero(), {}}, loose{&field, Vec3::Zero(), {}};
  PosePrior prior;
  const double turn = may_turn ? 1e-3 : 1e4;
  prior.information.diagonal() << turn, turn, 1e4, 1e-3, 1e-3, 1e-3;
  loose.priors.push_back(prior);
  return {{rest, loose}, std::move(contacts), {}, std::move(borders), std::move(shafts)};
}
DistanceField block() { return {makeBox(Box(Vec3(-kSide, -kSide, -5), Vec3(kSide, kSide, 5))), 0.5, 4}; }
Docking::State settled(const Docking& docking) {
  return docking.minimise({Rigid::Identity(), Rigid::Identity()}, {1}, {true, true});
}

Points grid(double level) {
  Points out;
  for (int x = -4; x <= 4; x += 2)
    for (int y = -4; y <= 4; y += 2) out.emplace_back(x, y, level);
  return out;
}

TEST(Docking, ABorderDrawsTheOtherBoneToItsDistanceFromEitherSide) {
  const DistanceField field = block();
  for (const double level : {6.0, 4.0}) {
    const auto state = settled(twoBlocks(field, {}, {{0, 1, grid(level), 0, 0.3, 0.1}}));
    const Vec3 shift = state.poses[1].translation();
    EXPECT_NEAR(shift.z(), level - 5 - 0.3, 0.02);
    EXPECT_NEAR(shift.head<2>().norm(), 0, 0.02);
  }
}

TEST(Docking, OfAClosenessOnlyTheClosestPlacesCount) {
  const DistanceField field = block();
  Points places = grid(6);
  for (const Vec3& p : grid(8)) places.push_back(p);
  const std::size_t closest = places.size() / 2;
  const auto state = settled(twoBlocks(field, {}, {{0, 1, places, closest, 0.5, 0.1}}));
  EXPECT_NEAR(state.poses[1].translation().z(), 0.5, 0.02);
}

TEST(Docking, ABorderFarOffPullsNoHarderThanOneNearby) {
  // Two borders that contradict each other: the near one, as firm, wins over one that is 30 spreads off.
  const DistanceField field = block();
  const auto state = settled(twoBlocks(field, {}, {{0, 1, grid(5), 0, 0.0, 0.05}, {0, 1, grid(8), 0, 0.0, 0.1}}));
  EXPECT_LT(state.poses[1].translation().z(), 0.15);
}

/// Points that face the free block's top across a gap that opens along x.
Contact wedge(double gap, double tilt) {
  Contact contact;
  contact.body = 0;
  contact.onto = 1;
  for (const Vec3& p : grid(5)) {
    DockPoint point;
    point.position = p + Vec3(0, 0, gap + tilt * p.x());
    point.gap = 1;
    point.weight = 1;
    contact.points.push_back(point);
  }
  return contact;
}

TEST(Docking, AGapIsHeldOnlyAsFirmlyAsItIsKnown) {
  const DistanceField field = block();
  // Points 2 mm away that want 1 mm: with the gap known exactly the block comes up, with the gap unknown it stays.
  EXPECT_NEAR(settled(twoBlocks(field, {wedge(2, 0)}, {})).poses[1].translation().z(), 1, 0.05);
  Contact free = wedge(2, 0);
  free.plane = GapPlane{Vec3(0, 0, 7), Vec3::UnitX(), Vec3::UnitY(), {1, 0, 0}, {1e4, 0.01, 0.01}};
  EXPECT_NEAR(settled(twoBlocks(field, {free}, {})).poses[1].translation().z(), 0, 0.05);
}

TEST(Docking, ATiltThatIsUsualIsNotTurnedAway) {
  const DistanceField field = block();
  const double tilt = 0.08;
  const auto turnOf = [&](double usual, double spread) {
    Contact contact = wedge(1, tilt);
    contact.plane = GapPlane{Vec3(0, 0, 6), Vec3::UnitX(), Vec3::UnitY(), {1, usual, 0}, {0.1, spread, 0.01}};
    const auto state = settled(twoBlocks(field, {contact}, {}, true));
    return Eigen::AngleAxisd(state.poses[1].linear()).angle();
  };
  EXPECT_NEAR(turnOf(0, 0.001), std::atan(tilt), 0.01);  // evenness asked for: the block turns
  EXPECT_LT(turnOf(tilt, 0.001), 0.005);                 // that opening is usual: it stays
  EXPECT_LT(turnOf(0, 1e4), 0.02);                       // nothing known: it stays
}

TEST(Docking, AShaftTurnsToTheAngleExpectedOfTheTwo) {
  const DistanceField field = block();
  const auto axisAfter = [&](std::size_t first, std::size_t second) {
    const ShaftAngle angle{first, second, Vec3::UnitZ(), Vec3::UnitZ(), Vec3::UnitX(), 0.1, 0.02};
    const auto state = settled(twoBlocks(field, {}, {}, true, {angle}));
    EXPECT_NEAR(state.poses[1].translation().norm(), 0, 1e-3);  // turns about its middle
    return Vec3(state.poses[1].linear() * Vec3::UnitZ());
  };
  EXPECT_NEAR((axisAfter(0, 1) - Vec3(0.1, 0, std::sqrt(1 - 0.01))).norm(), 0, 1e-3);
  EXPECT_NEAR((axisAfter(1, 0) - Vec3(-0.1, 0, std::sqrt(1 - 0.01))).norm(), 0, 1e-3);
}

TEST(Docking, CovarianceOfATurnIsThatOfTheShaftsAngle) {
  const DistanceField field = block();
  const ShaftAngle angle{0, 1, Vec3::UnitZ(), Vec3::UnitZ(), Vec3::UnitX(), 0, 0.02};
  const Docking docking = twoBlocks(field, {}, {}, true, {angle});
  const auto c = docking.covariance({Rigid::Identity(), Rigid::Identity()}, {1}, {true, true});
  EXPECT_NEAR(std::sqrt(c(1, 1)), 0.02, 1e-4);  // about y
  EXPECT_GT(std::sqrt(c(0, 0)), 1);             // about x: nothing is known but the weak prior
}

TEST(Docking, CovarianceOfAShiftAlongTheGapIsThatOfTheGap) {
  const DistanceField field = block();
  Contact contact = wedge(1, 0);
  constexpr double kSpread = 0.4;
  contact.plane = GapPlane{Vec3(0, 0, 6), Vec3::UnitX(), Vec3::UnitY(), {1, 0, 0}, {kSpread, 0.01, 0.01}};
  const Docking docking = twoBlocks(field, {contact}, {});
  const auto c = docking.covariance({Rigid::Identity(), Rigid::Identity()}, {1}, {true, true});
  // The faces themselves are exact to 0.35 mm over 25 measurements.
  EXPECT_NEAR(std::sqrt(c(5, 5)), std::hypot(kSpread, 0.35 / 5), 0.02);
}

}  // namespace
}  // namespace rayset::reduction
