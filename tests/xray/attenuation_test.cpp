#include "xray/attenuation.h"

#include <gtest/gtest.h>

#include <cmath>

#include "views.h"
#include "xray/line_integrals.h"

namespace rayset {
namespace {

using namespace xray_test;

TEST(Attenuation, FollowsTheDefinitionOfHu) {
  EXPECT_DOUBLE_EQ(attenuationOfHu(0), 0.02059);
  EXPECT_DOUBLE_EQ(attenuationOfHu(-1000), 0);
  EXPECT_DOUBLE_EQ(attenuationOfHu(-1024), 0);
  // ICRU-44 cortical bone is 1935 HU at 60 keV (reference.md F, computed).
  EXPECT_NEAR(attenuationOfHu(1935), kCorticalBone.perMm(), 1e-4);
}

TEST(Attenuation, OfMetals) {
  // NIST, 60 keV (reference.md F): iron 9.5 / cm, titanium 3.5 / cm, 316L about 10 / cm.
  EXPECT_NEAR(kIron.perMm(), 0.95, 0.005);
  EXPECT_NEAR(kTitanium.perMm(), 0.35, 0.006);
  EXPECT_NEAR(kSteel316L.perMm(), 1.02, 0.01);
  // A 3.5 mm rod lets about 3 % through.
  EXPECT_NEAR(std::exp(-3.5 * kSteel316L.perMm()), 0.03, 0.003);
}

TEST(Attenuation, ValuesRoundTrip) {
  EXPECT_EQ(attenuationValue(-1000), 0);
  EXPECT_EQ(attenuationValue(-2000), 0);
  EXPECT_EQ(attenuationValue(-980, -950), 0);
  EXPECT_EQ(attenuationValue(-949, -950), 51);
  EXPECT_EQ(attenuationValue(0), 1000);
  EXPECT_EQ(attenuationValue(32767), 32767);  // saturates
  for (const int hu : {-900, 0, 300, 3000})
    EXPECT_NEAR(attenuationValue(hu) * kAttenuationPerUnit, attenuationOfHu(hu), 1e-12);
}

TEST(Attenuation, LabelsAddUpToTheScan) {
  CtVolume ct(centred({24, 20, 16}, Vec3(0.5, 0.6, 0.7)), -1000);
  LabelVolume labels(ct.grid);
  for (int k = 2; k < 14; ++k)
    for (int j = 3; j < 17; ++j)
      for (int i = 1; i < 20; ++i) {
        ct.at(i, j, k) = static_cast<std::int16_t>(40 + 10 * i + j * k);
        labels.at(i, j, k) = i < 8 ? 3 : (i < 14 ? 0 : 7);
      }
  const auto whole = attenuationVolume(ct);
  EXPECT_EQ(whole.at(5, 5, 5), 40 + 50 + 25 + 1000);
  EXPECT_EQ(whole.at(0, 0, 0), 0);
  auto left = whole;
  for (const std::uint8_t label : {0, 3, 7}) {
    const auto part = attenuationVolume(ct, labels, label);
    if (label == 3) {
      EXPECT_EQ(part.grid.size, Eigen::Vector3i(7, 14, 12));
    }
    const Vec3 offset = ct.grid.toIndex(part.grid.origin);
    for (int k = 0; k < part.grid.size.z(); ++k)
      for (int j = 0; j < part.grid.size.y(); ++j)
        for (int i = 0; i < part.grid.size.x(); ++i) {
          auto& v =
              left.at(i + static_cast<int>(std::lround(offset.x())), j + static_cast<int>(std::lround(offset.y())),
                      k + static_cast<int>(std::lround(offset.z())));
          v = static_cast<std::int16_t>(v - part.at(i, j, k));
        }
  }
  EXPECT_TRUE(std::all_of(left.voxels.begin(), left.voxels.end(), [](int v) { return v == 0; }));
  EXPECT_TRUE(attenuationVolume(ct, labels, 9).voxels.empty());
  labels.grid.size.x() = 23;
  EXPECT_THROW(static_cast<void>(attenuationVolume(ct, labels, 3)), std::invalid_argument);
}

TEST(Attenuation, WaterOf100MmLetsThroughWhatNistSays) {
  const CtVolume water(centred({40, 40, 200}, Vec3::Constant(0.5)), 0);
  const auto values = attenuationVolume(water);
  const ProjectionVolume volume(values.grid, values.voxels);
  const ProjectionView view = viewAlong({0, 0, 1}, Vec3::Zero(), 1e4, 1.1e4, 3, 0.5);
  auto out = blank(view);
  addLineIntegrals(volume, view, static_cast<float>(kAttenuationPerUnit), out);
  EXPECT_NEAR(std::exp(-static_cast<double>(out[4])), std::exp(-0.2059 * 10), 1e-4);
}

}  // namespace
}  // namespace rayset
