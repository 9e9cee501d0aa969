#include "injury/displacement.h"

#include <gtest/gtest.h>

#include <cmath>
#include <random>

namespace rayset {
namespace {

constexpr double kDeg = 3.14159265358979323846 / 180;
constexpr double kTight = 1e-10;  // rounding only

Frame rightFrame() { return {}; }  // standing in the scanner: distal -y, medial +x, dorsal +z
Frame mirroredFrame(Frame f) {
  for (Vec3* v : {&f.origin, &f.distal, &f.medial, &f.dorsal}) v->x() = -v->x();
  return f;
}
Frame leftFrame() { return mirroredFrame(rightFrame()); }

Frame turnedFrame(Side side, std::uint32_t seed) {
  std::mt19937 generator(seed);
  std::normal_distribution<double> normal;
  const Mat3 R = Eigen::Quaterniond(normal(generator), normal(generator), normal(generator), normal(generator))
                     .normalized()
                     .toRotationMatrix();
  const Frame f = side == Side::kRight ? rightFrame() : leftFrame();
  return {Vec3(3, -7, 20), R * f.distal, R * f.medial, R * f.dorsal};
}

RayDisplacement components(double lateral, double dorsal, double distal, double abduction_deg,
                           double plantarflexion_deg, double pronation_deg) {
  RayDisplacement d;
  d.ray = Ray(2);
  d.lateral_mm = lateral;
  d.dorsal_mm = dorsal;
  d.distal_mm = distal;
  d.abduction_rad = abduction_deg * kDeg;
  d.plantarflexion_rad = plantarflexion_deg * kDeg;
  d.pronation_rad = pronation_deg * kDeg;
  return d;
}

void expectSame(const RayDisplacement& a, const RayDisplacement& b, double tolerance = kTight) {
  EXPECT_NEAR(a.lateral_mm, b.lateral_mm, tolerance);
  EXPECT_NEAR(a.dorsal_mm, b.dorsal_mm, tolerance);
  EXPECT_NEAR(a.distal_mm, b.distal_mm, tolerance);
  EXPECT_NEAR(a.abduction_rad, b.abduction_rad, tolerance);
  EXPECT_NEAR(a.plantarflexion_rad, b.plantarflexion_rad, tolerance);
  EXPECT_NEAR(a.pronation_rad, b.pronation_rad, tolerance);
}

TEST(Displacement, OfNothingIsNothing) {
  const auto d = displacement(Ray(3), Rigid::Identity(), Vec3(10, 20, 30), rightFrame());
  expectSame(d, components(0, 0, 0, 0, 0, 0));
  EXPECT_EQ(d.ray, 3);
  EXPECT_FALSE(d.displaced);
}

TEST(Displacement, RoundTripOverPlausibleAndExtremePoses) {
  std::mt19937 generator(7);
  std::uniform_real_distribution<double> mm(-30, 30), turn(-179, 179), abduction(-89, 89);
  for (const Side side : {Side::kRight, Side::kLeft})
    for (std::uint32_t i = 0; i < 200; ++i) {
      const Frame f = turnedFrame(side, i + 1);
      const auto in = components(mm(generator), mm(generator), mm(generator), abduction(generator), turn(generator),
                                 turn(generator));
      const Vec3 base(mm(generator), mm(generator), mm(generator));
      const Rigid X = displacementTransform(in, base, f);
      ASSERT_NEAR(X.linear().determinant(), 1, 1e-12);
      ASSERT_LT((X.linear() * X.linear().transpose() - Mat3::Identity()).norm(), 1e-12);
      expectSame(displacement(Ray(2), X, base, f), in, 1e-9);
    }
}

TEST(Displacement, TransformOfItsOwnComponentsIsTheSameTransform) {
  std::mt19937 generator(11);
  std::normal_distribution<double> normal;
  for (int i = 0; i < 100; ++i) {
    Rigid X = Rigid::Identity();
    X.translate(Vec3(normal(generator), normal(generator), normal(generator)) * 10);
    X.rotate(
        Eigen::Quaterniond(normal(generator), normal(generator), normal(generator), normal(generator)).normalized());
    const Frame f = turnedFrame(i % 2 ? Side::kLeft : Side::kRight, static_cast<std::uint32_t>(i + 1));
    const Vec3 base(1, 2, 3);
    const Rigid back = displacementTransform(displacement(Ray(1), X, base, f), base, f);
    EXPECT_LT((back.matrix() - X.matrix()).norm(), 1e-9);
  }
}

TEST(Displacement, AtNinetyDegreesOfAbductionTheTransformStillComesBack) {
  const Frame f = leftFrame();
  const Vec3 base(4, 5, 6);
  for (const double a : {90.0, -90.0}) {
    const Rigid X = displacementTransform(components(1, 2, 3, a, 20, 35), base, f);
    const auto d = displacement(Ray(2), X, base, f);
    EXPECT_NEAR(d.abduction_rad, a * kDeg, 1e-6);
    EXPECT_LT((displacementTransform(d, base, f).matrix() - X.matrix()).norm(), 1e-6);
  }
}

// The anatomical sense of each sign, told by where head and dorsum go, on both sides.
TEST(Displacement, SingleTurnsMoveTheHeadTheWayTheirNamesSay) {
  for (const Side side : {Side::kRight, Side::kLeft}) {
    const Frame f = turnedFrame(side, 5);
    const Vec3 base(7, 8, 9), head = base + 60 * f.distal, top = base + 5 * f.dorsal;
    const double s = std::sin(10 * kDeg), c = std::cos(10 * kDeg);

    const Rigid abducted = displacementTransform(components(0, 0, 0, 10, 0, 0), base, f);
    EXPECT_LT((abducted * head - (base + 60 * (c * f.distal + s * f.lateral()))).norm(), 1e-9);
    EXPECT_LT((abducted * top - top).norm(), 1e-9);

    const Rigid plantarflexed = displacementTransform(components(0, 0, 0, 0, 10, 0), base, f);
    EXPECT_LT((plantarflexed * head - (base + 60 * (c * f.distal + s * f.plantar()))).norm(), 1e-9);

    const Rigid pronated = displacementTransform(components(0, 0, 0, 0, 0, 10), base, f);
    EXPECT_LT((pronated * head - head).norm(), 1e-9);
    EXPECT_LT((pronated * top - (base + 5 * (c * f.dorsal + s * f.medial))).norm(), 1e-9);

    const Rigid shifted = displacementTransform(components(3, 2, 1, 0, 0, 0), base, f);
    EXPECT_LT((shifted * base - (base + 3 * f.lateral() + 2 * f.dorsal + 1 * f.distal)).norm(), 1e-9);
  }
}

// Worked by hand from the sequence in displacement.cpp: 30 degrees plantarflexion, then 20 of abduction about the
// floating axis.
TEST(Displacement, SequenceIsPlantarflexionThenAbductionThenPronation) {
  const Frame f = rightFrame();
  const Rigid X = displacementTransform(components(0, 0, 0, 20, 30, 40), Vec3::Zero(), f);
  const double ca = std::cos(20 * kDeg), sa = std::sin(20 * kDeg), cp = std::cos(30 * kDeg), sp = std::sin(30 * kDeg);
  // Plantarflexion leaves the lateral axis alone, so abduction after it carries the head sa lateral whatever the
  // flexion.
  const Vec3 head = ca * (cp * f.distal + sp * f.plantar()) + sa * f.lateral();
  EXPECT_LT((X.linear() * f.distal - head).norm(), 1e-12);
  // The floating axis is perpendicular to both body-fixed axes.
  const Vec3 e1 = f.medial, e3 = X.linear() * f.distal, e2 = e3.cross(e1).normalized();
  EXPECT_NEAR(std::asin(-e1.dot(e3)), 20 * kDeg, 1e-12);                             // abduction
  EXPECT_NEAR(std::atan2(-e3.dot(f.dorsal), e3.dot(f.distal)), 30 * kDeg, 1e-12);    // plantarflexion
  EXPECT_NEAR(std::acos(std::abs(e2.dot(X.linear() * f.dorsal))), 40 * kDeg, 1e-9);  // pronation
}

TEST(Displacement, MirroredFeetGiveEqualNumbers) {
  const Mat3 S = Vec3(-1, 1, 1).asDiagonal();
  for (std::uint32_t seed = 1; seed <= 30; ++seed) {
    const Frame f = turnedFrame(Side::kRight, seed);
    const Vec3 base(1, 2, 3);
    const Rigid X = displacementTransform(components(6.1, 3.9, 0.4, 9.8, 2.7, -4), base, f);
    Rigid mirrored_X = Rigid::Identity();
    mirrored_X.linear() = S * X.linear() * S;
    mirrored_X.translation() = S * X.translation();
    expectSame(displacement(Ray(2), mirrored_X, S * base, mirroredFrame(f)), displacement(Ray(2), X, base, f));
  }
}

TEST(Displacement, NumbersDoNotDependOnTheScanner) {
  const auto in = components(6.1, 3.9, 0.4, 9.8, 2.7, -4);
  const Frame f = rightFrame();
  const Vec3 base(1, 2, 3);
  const Rigid X = displacementTransform(in, base, f);
  const Frame g = turnedFrame(Side::kRight, 3);
  Mat3 F, G;
  F << f.distal, f.medial, f.dorsal;
  G << g.distal, g.medial, g.dorsal;
  Rigid scanner = Rigid::Identity();
  scanner.linear() = G * F.transpose();
  scanner.translation() = Vec3(100, -40, 800);
  expectSame(displacement(Ray(2), scanner * X * scanner.inverse(), scanner * base, g), in, 1e-9);
}

TEST(Displacement, SmallTurnsAreTheRotationVector) {
  const Frame f = rightFrame();
  const double e = 1e-6;
  const Rigid X = displacementTransform(components(0, 0, 0, 2 * e / kDeg, 3 * e / kDeg, 5 * e / kDeg), Vec3::Zero(), f);
  const Eigen::AngleAxisd turn(X.linear());
  const Vec3 expected = -2 * e * f.dorsal + 3 * e * f.medial - 5 * e * f.distal;  // right foot: right-handed axes
  EXPECT_LT((turn.angle() * turn.axis() - expected).norm(), 1e-10);
  const auto d = displacement(Ray(2), X, Vec3::Zero(), f);
  EXPECT_NEAR(d.abduction_rad, 2 * e, 1e-14);
  EXPECT_NEAR(d.plantarflexion_rad, 3 * e, 1e-14);
  EXPECT_NEAR(d.pronation_rad, 5 * e, 1e-14);
}

TEST(Displacement, TurnAboutTheBaseDoesNotShiftItButOneAboutTheHeadDoes) {
  const Frame f = rightFrame();
  const Vec3 base(0, 0, 0), head = base + 60 * f.distal;
  const Vec3 about_dorsal = 10 * kDeg * f.dorsal;
  EXPECT_NEAR(displacement(Ray(2), turnAbout(base, about_dorsal, Vec3::Zero()), base, f).lateral_mm, 0, kTight);
  EXPECT_NEAR(std::abs(displacement(Ray(2), turnAbout(head, about_dorsal, Vec3::Zero()), base, f).lateral_mm),
              60 * std::sin(10 * kDeg), 1e-9);
}

TEST(Displacement, DisplacedFromTheBoundOnLateralAndDorsalTogether) {
  const Frame f = rightFrame();
  const auto displaced = [&](double lateral, double dorsal, double distal, double bound = kDisplacedFromMm) {
    const Rigid X = displacementTransform(components(lateral, dorsal, distal, 0, 0, 0), Vec3::Zero(), f);
    return displacement(Ray(2), X, Vec3::Zero(), f, bound).displaced;
  };
  EXPECT_TRUE(displaced(2.0, 0, 0));
  EXPECT_TRUE(displaced(-2.0, 0, 0));
  EXPECT_TRUE(displaced(0, -2.0, 0));
  EXPECT_TRUE(displaced(1.5, 1.5, 0));
  EXPECT_FALSE(displaced(1.4, 1.4, 0));
  EXPECT_FALSE(displaced(0, 0, 9));  // shortening alone is no displacement of the contract
  EXPECT_TRUE(displaced(1.4, 1.4, 0, 1.0));
}

}  // namespace
}  // namespace rayset
