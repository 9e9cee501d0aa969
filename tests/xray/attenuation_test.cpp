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
  // ICRU-44 cortical bone is 1935 HU at 60 keV (computed from NIST XCOM).
  EXPECT_NEAR(attenuationOfHu(1935), kCorticalBone.perMm(), 1e-4);
}

TEST(Attenuation, OfMetals) {
  // NIST, 60 keV: iron 9.5 / cm, titanium 3.5 / cm, 316L about 10 / cm.
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

TEST(Attenuation, AScanAsAVolume) {
  CtVolume ct(centred({24, 20, 16}, Vec3(0.5, 0.6, 0.7)), -1000);
  ct.at(5, 5, 5) = 115;
  ct.at(6, 5, 5) = -900;
  const auto whole = attenuationVolume(ct);
  EXPECT_EQ(whole.at(5, 5, 5), 1115);
  EXPECT_EQ(whole.at(6, 5, 5), 100);
  EXPECT_EQ(whole.at(0, 0, 0), 0);
  EXPECT_EQ(attenuationVolume(ct, -850).at(6, 5, 5), 0) << "noise in the air";
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
