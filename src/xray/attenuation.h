// How much X-rays of 60 keV are weakened, from HU and for metals. One energy stands for the whole beam of a foot film
// (50 to 60 kV): no beam hardening. Per millimetre.
#pragma once

#include <cstdint>

#include "image/volume.h"

namespace rayset {

/// A material by its mass attenuation coefficient (with coherent scatter) and density.
struct Absorber {
  double cm2_per_g, g_per_cm3;
  [[nodiscard]] constexpr double perMm() const { return cm2_per_g * g_per_cm3 / 10; }
};

/// At 60 keV. Water: NIST XCOM as quoted in open source code (shared/reference.md F, "found").
inline constexpr Absorber kWater{0.2059, 1.0};
/// ICRU-44 cortical bone, same source: 0.6044 / cm, hence 1935 HU.
inline constexpr Absorber kCorticalBone{0.3148, 1.92};
/// Metals: NIST tables from memory (reference.md F, "memory, medium"). 316L steel is about 10 / cm, the sum of its
/// elements; densities are the usual handbook values.
inline constexpr Absorber kIron{1.205, 7.874};
inline constexpr Absorber kTitanium{0.766, 4.506};
inline constexpr Absorber kSteel316L{1.28, 8.0};

/// Linear attenuation of tissue, 1 / mm: water x (1 + HU / 1000), the definition of HU with air at zero; never
/// negative. A scanner's HU are of its own, harder beam: dense bone reads lower there (about 1300 at 80 keV) than at 60
/// keV.
[[nodiscard]] double attenuationOfHu(double hu);

/// Values of an attenuation volume: HU + 1000, so that attenuation is value x kAttenuationPerUnit, per mm.
inline constexpr double kAttenuationPerUnit = kWater.perMm() / 1000;
/// HU to such a value: 0 at and below `air_hu` (raise it above -1000 to keep a scanner's noise out of the air), 32767
/// at most.
[[nodiscard]] std::int16_t attenuationValue(int hu, int air_hu = -1000);
/// The whole scan, on its grid. Give the voxels to ProjectionVolume and kAttenuationPerUnit as scale.
[[nodiscard]] Volume<std::int16_t> attenuationVolume(const CtVolume& ct, int air_hu = -1000);

}  // namespace rayset
