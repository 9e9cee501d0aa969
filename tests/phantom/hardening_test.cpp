// Beam hardening by bone against what follows for round bodies, whose reconstruction has a closed form.
#include "phantom/hardening.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <numbers>
#include <vector>

#include "phantom/beam.h"

namespace rayset {
namespace {

constexpr int kSize = 201;
constexpr double kPixel = 0.5;

double radius(int i, int j) { return std::hypot(i - kSize / 2, j - kSize / 2) * kPixel; }

template <class F>
std::vector<float> slice(const F& hu_at) {
  std::vector<float> hu(kSize * kSize);
  for (int j = 0; j < kSize; ++j)
    for (int i = 0; i < kSize; ++i) hu[static_cast<std::size_t>(j * kSize + i)] = static_cast<float>(hu_at(i, j));
  return hu;
}

double meanWhere(const std::vector<float>& hu, double low, double high) {
  double sum = 0;
  int n = 0;
  for (int j = 0; j < kSize; ++j)
    for (int i = 0; i < kSize; ++i)
      if (radius(i, j) >= low && radius(i, j) < high) {
        sum += static_cast<double>(hu[static_cast<std::size_t>(j * kSize + i)]);
        ++n;
      }
  return sum / n;
}

TEST(Hardening, WaterStaysWater) {
  auto hu = slice([](int i, int j) { return radius(i, j) < 40 ? 0.0 : -1000.0; });
  const auto before = hu;
  addBoneHardening(hu, kSize, kSize, kPixel);
  EXPECT_EQ(hu, before);
}

/// A disc of bone in water. The line integrals p(s) depend on the distance from the middle alone, so the reconstruction
/// is Abel's inverse: f(r) = -1/pi * integral from r of p'(s) / sqrt(s^2 - r^2) ds.
TEST(Hardening, DiscOfBoneAgainstAbelsInverse) {
  constexpr double kBody = 40, kBone = 12, kBoneHu = 1000;
  auto hu = slice([](int i, int j) { return radius(i, j) < kBone ? kBoneHu : radius(i, j) < kBody ? 0.0 : -1000.0; });
  addBoneHardening(hu, kSize, kSize, kPixel);

  const double water = beam::perMm(beam::kWater), bone = beam::perMm(beam::kBone);
  const beam::WaterCorrection corrected;
  const auto chord = [](double s, double r) { return s < r ? 2 * std::sqrt(r * r - s * s) : 0.0; };
  const auto measured = [&](double s) {  // what exceeds 100 HU is bone, as the header says
    const double body = water * (chord(s, kBody) + 0.1 * chord(s, kBone));
    return corrected(beam::reading(body, beam::kBone, chord(s, kBone) * 0.9 * water / bone));
  };
  // In u = sqrt(s^2 - r^2), piece by piece between the rims, where p' grows without bound: u runs ever slower towards
  // the end of a piece.
  const auto piece = [&](double r, double from, double to) {
    const double u0 = std::sqrt(from * from - r * r), u1 = std::sqrt(to * to - r * r);
    constexpr int kSteps = 4000;
    double sum = 0;
    for (int n = 0; n < kSteps; ++n) {
      const double left = 1 - (n + 0.5) / kSteps, u = u1 - (u1 - u0) * left * left, s = std::hypot(r, u);
      const double h = 0.1 * std::min({0.01, to - s, s - from});
      sum += (measured(s + h) - measured(s - h)) / (2 * h) / s * 2 * (u1 - u0) * left / kSteps;
    }
    return sum;
  };
  const auto expected = [&](double r) {
    const double sum = r < kBone ? piece(r, r, kBone) + piece(r, kBone, kBody) : piece(r, r, kBody);
    return 1000 * (-sum / std::numbers::pi / water - 1);
  };
  const double middle = expected(0.5), rim = expected(9);
  EXPECT_LT(middle, rim - 5) << "cupping";
  EXPECT_LT(rim, kBoneHu);
  EXPECT_NEAR(meanWhere(hu, 0, 2), middle, 1);
  EXPECT_NEAR(meanWhere(hu, 8.5, 9.5), rim, 1);
  EXPECT_NEAR(meanWhere(hu, 25, 35), expected(30), 0.5);
}

TEST(Hardening, ADarkBandBetweenTwoBones) {
  const auto bones = [](int i, int j) {
    const double y = (j - kSize / 2) * kPixel;
    for (const double x : {-15.0, 15.0})
      if (std::hypot((i - kSize / 2) * kPixel - x, y) < 8) return 1200.0;
    return radius(i, j) < 45 ? 0.0 : -1000.0;
  };
  auto hu = slice(bones);
  addBoneHardening(hu, kSize, kSize, kPixel);
  const auto at = [&](double x, double y) {
    return static_cast<double>(hu[static_cast<std::size_t>((std::lround(y / kPixel) + kSize / 2) * kSize +
                                                           std::lround(x / kPixel) + kSize / 2)]);
  };
  EXPECT_LT(at(0, 0), -10) << "between them";
  EXPECT_LT(at(0, 0), at(0, 20) - 10) << "beside the line that joins them";
}

}  // namespace
}  // namespace rayset
