// Snapping on synthetic edges whose place is known, with blur and noise.
#include "films/snap.h"

#include <gtest/gtest.h>

#include <cmath>
#include <random>

namespace rayset::test {
namespace {

/// Bright for x cos(a) + y sin(a) < at (millimetres), blurred by a Gaussian (error function), with noise.
Film edge(double angle, double at_mm, const Vec2& mm, double blur_mm, double noise, unsigned seed,
          double height = 1000) {
  Film f(160, 140);
  std::mt19937 random(seed);
  std::normal_distribution<double> n(0, noise);
  for (int r = 0; r < f.rows; ++r)
    for (int c = 0; c < f.columns; ++c) {
      const double d = c * mm.x() * std::cos(angle) + r * mm.y() * std::sin(angle) - at_mm;
      f.at(c, r) = static_cast<float>(500 + height * 0.5 * std::erfc(d / (blur_mm * std::sqrt(2.0))) +
                                      (noise > 0 ? n(random) : 0));
    }
  return f;
}

TEST(Snap, FindsTheEdgeToATenthOfAMillimetreUnderBlurAndNoise) {
  // Noise of 6 % of the step, blur up to 0.5 mm, pixels of 0.15 and 0.2 mm, starting up to 2 mm off.
  double worst = 0, square = 0;
  int n = 0;
  for (unsigned seed = 1; seed <= 40; ++seed) {
    std::mt19937 random(seed);
    std::uniform_real_distribution<double> u(-1, 1);
    const double angle = 0.6 * u(random), off = 2 * u(random), blur = 0.3 + 0.2 * u(random);
    const Vec2 mm = seed % 2 == 0 ? Vec2(0.15, 0.15) : Vec2(0.2, 0.14);
    const Vec2 out(std::cos(angle), std::sin(angle));
    const Vec2 middle(80 * mm.x(), 70 * mm.y());
    const double at = middle.dot(out);
    const Film f = edge(angle, at, mm, blur, 60, seed);
    const SnapResult s = snapToEdge(f, (middle + off * out).cwiseQuotient(mm), out, mm, 1000);
    ASSERT_TRUE(s.found) << seed;
    const double error = s.at.cwiseProduct(mm).dot(out) - at;
    worst = std::max(worst, std::abs(error));
    square += error * error;
    ++n;
    EXPECT_NEAR(s.moved_mm, -off, 0.1) << seed;
  }
  EXPECT_LT(worst, 0.1);
  EXPECT_LT(std::sqrt(square / n), 0.035);
  RecordProperty("rms_um", static_cast<int>(1000 * std::sqrt(square / n)));
}

TEST(Snap, NoiseItToldIsTheNoiseThereIs) {
  const Vec2 mm(0.15, 0.15), out(1, 0);
  double square = 0, told = 0;
  constexpr int kTimes = 60;
  for (unsigned seed = 0; seed < kTimes; ++seed) {
    const Film f = edge(0, 12.03, mm, 0.3, 120, seed);
    const SnapResult s = snapToEdge(f, Vec2(80, 70), out, mm, 1000);
    ASSERT_TRUE(s.found);
    square += std::pow(s.at.x() * 0.15 - 12.03, 2);
    told += s.sd_mm;
  }
  const double real = std::sqrt(square / kTimes);
  EXPECT_GT(told / kTimes, 0.5 * real);
  EXPECT_LT(told / kTimes, 2 * real);
}

TEST(Snap, NothingNearIsSaid) {
  const Vec2 mm(0.15, 0.15), out(1, 0);
  const Film f = edge(0, 18, mm, 0.3, 40, 3);
  const SnapResult s = snapToEdge(f, Vec2(80, 70), out, mm, 1000);  // 6 mm away
  EXPECT_FALSE(s.found);
  EXPECT_EQ(s.at, Vec2(80, 70));
  Film flat(100, 100, 700);
  EXPECT_FALSE(snapToEdge(flat, Vec2(50, 50), out, mm, 1000).found);
  std::mt19937 random(7);
  std::normal_distribution<float> n(0, 100);
  for (int times = 0; times < 20; ++times) {
    for (float& v : flat.values) v = 700 + n(random);
    EXPECT_FALSE(snapToEdge(flat, Vec2(50, 50), out, mm, 1000).found) << "noise is no edge";
  }
}

TEST(Snap, RisingEdgeIsNotTheWayOutOfBone) {
  const Vec2 mm(0.15, 0.15);
  const Film f = edge(0, 12, mm, 0.3, 20, 5);
  EXPECT_TRUE(snapToEdge(f, Vec2(78, 70), Vec2(1, 0), mm, 1000).found);
  EXPECT_FALSE(snapToEdge(f, Vec2(78, 70), Vec2(-1, 0), mm, 1000).found);
}

TEST(Snap, TheNearerOfTwoLikeEdgesIsTaken) {
  const Vec2 mm(0.15, 0.15);
  Film f = edge(0, 12, mm, 0.3, 10, 5);
  const Film far = edge(0, 14.2, mm, 0.3, 10, 6, 1500);
  for (std::size_t i = 0; i < f.values.size(); ++i) f.values[i] += far.values[i];
  const SnapResult s = snapToEdge(f, Vec2(11.6 / 0.15, 70), Vec2(1, 0), mm, 2500);
  ASSERT_TRUE(s.found);
  EXPECT_NEAR(s.at.x() * 0.15, 12, 0.06);
}

TEST(Snap, AtTheBorderOfTheFilm) {
  const Vec2 mm(0.15, 0.15);
  const Film f = edge(0, 0.9, mm, 0.3, 10, 5);
  const SnapResult s =
      snapToEdge(f, Vec2(2, 1), Vec2(1, 0), mm, 1000);  // the profile is cut: found or not, never outside
  EXPECT_GE(s.at.x(), 0);
  EXPECT_LT(s.at.x(), 30);
}

}  // namespace
}  // namespace rayset::test
