// The scanner's beam as a mixture of four energies, the detector's reading behind an object, the correction that is
// exact for water only, and the filter of filtered back-projection. The effects of metal and dense bone on a slice
// follow from these.
//
// Attenuation of water, iron (7.87 g/cm^3) and compact bone (ICRU 44, 1.85 g/cm^3) at 50, 60, 80 and 100 keV: NIST
// tables of Hubbell and Seltzer (NISTIR 5632), from memory. Weights of the energies (120 kV, filtered) are ours.
#pragma once

#include <array>
#include <vector>

namespace rayset::beam {

/// One value for each of the four energies: attenuation per mm.
using Spectrum = std::array<double, 4>;
inline constexpr Spectrum kShare{0.20, 0.30, 0.30, 0.20};
inline constexpr Spectrum kWater{0.02269, 0.02059, 0.01837, 0.01707};
inline constexpr Spectrum kIron{1.541, 0.948, 0.468, 0.2925};
inline constexpr Spectrum kBone{0.07848, 0.05824, 0.04124, 0.03432};

/// Attenuation per mm averaged over the beam, as for a thin layer.
[[nodiscard]] double perMm(const Spectrum& material);

/// The detector's reading (negative logarithm) behind water-like tissue with line integral `body` and `mm` of another
/// material.
[[nodiscard]] double reading(double body, const Spectrum& material, double mm);

/// The water correction: from a reading to the line integral that water alone would have had.
class WaterCorrection {
 public:
  WaterCorrection();
  [[nodiscard]] double operator()(double value) const;

 private:
  static constexpr double kStep = 0.02;
  std::vector<double> readings_;
};

/// The ramp with a Gaussian window of `sigma` mm, at lags 0, 1, ... of `step` mm (per mm^2).
[[nodiscard]] std::vector<double> rampFilter(int lags, double step, double sigma);

/// Adds one filtered view to a picture of nx * ny values. `c`, `d`: cosine and sine of the view's angle; detector bins
/// of `step` mm, `half` of them on each side of the middle, which looks at the picture's middle; `pixel` in mm.
void backProject(std::vector<float>& picture, int nx, int ny, double pixel, const std::vector<float>& filtered,
                 int half, double step, double c, double d, float scale);

}  // namespace rayset::beam
