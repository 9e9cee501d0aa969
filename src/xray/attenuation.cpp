#include "xray/attenuation.h"

#include <tbb/parallel_for.h>

#include <algorithm>

namespace rayset {

double attenuationOfHu(double hu) { return std::max(0.0, kWater.perMm() * (1 + hu / 1000)); }

std::int16_t attenuationValue(int hu, int air_hu) {
  return hu <= air_hu ? std::int16_t{0} : static_cast<std::int16_t>(std::clamp(hu + 1000, 0, 32767));
}

Volume<std::int16_t> attenuationVolume(const CtVolume& ct, int air_hu) {
  Volume<std::int16_t> out(ct.grid);
  const std::size_t slice = ct.grid.offset(0, 0, 1);
  tbb::parallel_for(0, ct.grid.size.z(), [&](int k) {
    for (std::size_t n = ct.grid.offset(0, 0, k), end = n + slice; n < end; ++n)
      out.voxels[n] = attenuationValue(ct.voxels[n], air_hu);
  });
  return out;
}

}  // namespace rayset
