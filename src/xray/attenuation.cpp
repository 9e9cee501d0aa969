#include "xray/attenuation.h"

#include <tbb/parallel_for.h>

#include <algorithm>
#include <stdexcept>

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

Volume<std::int16_t> attenuationVolume(const CtVolume& ct, const LabelVolume& labels, std::uint8_t label, int air_hu) {
  const Grid& g = ct.grid;
  if (labels.grid.size != g.size || labels.voxels.size() != ct.voxels.size())
    throw std::invalid_argument("attenuationVolume: labels are not on the scan's grid");
  Eigen::Vector3i low = g.size, high = Eigen::Vector3i::Constant(-1);
  for (int k = 0; k < g.size.z(); ++k)
    for (int j = 0; j < g.size.y(); ++j) {
      const auto row = labels.voxels.begin() + static_cast<std::ptrdiff_t>(g.offset(0, j, k));
      const auto end = row + g.size.x();
      const auto first = std::find(row, end, label);
      if (first == end) continue;
      auto last = end - 1;
      while (*last != label) --last;
      low = low.cwiseMin(Eigen::Vector3i(static_cast<int>(first - row), j, k));
      high = high.cwiseMax(Eigen::Vector3i(static_cast<int>(last - row), j, k));
    }
  Grid part = g;
  part.size.setZero();
  if ((high.array() < 0).any()) return Volume<std::int16_t>(part);
  part.size = high - low + Eigen::Vector3i::Ones();
  part.origin = g.toPatient(low.cast<double>());
  Volume<std::int16_t> out(part);
  for (int k = 0; k < part.size.z(); ++k)
    for (int j = 0; j < part.size.y(); ++j)
      for (int i = 0; i < part.size.x(); ++i) {
        const std::size_t n = g.offset(i + low.x(), j + low.y(), k + low.z());
        if (labels.voxels[n] == label) out.at(i, j, k) = attenuationValue(ct.voxels[n], air_hu);
      }
  return out;
}

}  // namespace rayset
