// Attenuation of 60 keV X-rays, from HU and for metals, per millimetre. One energy represents the whole beam of a foot
// film (50 to 60 kV), without beam hardening.
#pragma once

#include <cstdint>

#include "image/volume.h"

namespace rayset {

/// A material by its mass attenuation coefficient (with coherent scatter) and density.
struct Absorber {
  double cm2_per_g, g_per_cm3;
  [[nodiscard]] constexpr double perMm() const { return cm2_per_g * g_per_cm3 / 10; }
};

/// At 60 keV. Water: NIST XCOM tables, as quoted in open source code.
inline constexpr Absorber kWater{0.2059, 1.0};
/// ICRU-44 cortical bone, same source: 0.6044 / cm, hence 1935 HU.
inline constexpr Absorber kCorticalBone{0.3148, 1.92};
/// Metals: NIST tables, from memory (medium confidence). 316L steel is about 10 / cm, the sum of its elements;
/// densities are the usual handbook values.
inline constexpr Absorber kIron{1.205, 7.874};
inline constexpr Absorber kTitanium{0.766, 4.506};
inline constexpr Absorber kSteel316L{1.28, 8.0};

/// Linear attenuation of tissue, 1 / mm: water x (1 + HU / 1000), the definition of HU with air at zero; never
/// negative. A scanner's HU refer to its own, harder beam, where dense bone reads lower (about 1300 at 80 keV) than at
/// 60 keV.
[[nodiscard]] double attenuationOfHu(double hu);

/// Values of an attenuation volume are HU + 1000, so that attenuation per mm is value x kAttenuationPerUnit.
inline constexpr double kAttenuationPerUnit = kWater.perMm() / 1000;
/// Converts HU to such a value: 0 at and below `air_hu` (raise it above -1000 to keep a scanner's noise out of the
/// air), at most 32767.
[[nodiscard]] std::int16_t attenuationValue(int hu, int air_hu = -1000);
/// The whole scan, on its grid. Pass the voxels to ProjectionVolume, with kAttenuationPerUnit as the scale.
[[nodiscard]] Volume<std::int16_t> attenuationVolume(const CtVolume& ct, int air_hu = -1000);

}  // namespace rayset
