// How firmly a thread holds: pull-out after Chapman and colleagues, with a shear strength from HU.
#pragma once

namespace rayset {

/// Thread shape factor, Chapman et al. 1996 (J Biomech Eng 118:391-8; formula memory-high, fit to tests slope 1.05 and
/// R^2 0.947 found): 0.5 + 0.57735 t / p with thread depth t = (major - core) / 2 and pitch p, all mm. The 0.57735
/// (tan 30 degrees) assumes a 60 degree thread; the 35/3 degree flanks of cortex screws fit only roughly.
[[nodiscard]] double threadShapeFactor(double major_mm, double core_mm, double pitch_mm);

/// Pull-out force, N: S * (pi * D * L) * TSF, with S in MPa and D, L in mm.
[[nodiscard]] double chapmanPullout(double shear_strength_mpa, double major_mm, double length_mm, double shape_factor);

/// Ultimate shear strength of bone from HU, MPa.
///   density  rho = (114 + 0.916 HU) / 1000 g/cm^3         Rho 1995, tibia (memory-medium); never below 0.05
///   compression  68 * 0.01^0.06 * rho^2 = 51.6 rho^2 MPa  Carter and Hayes 1977 at 0.01 1/s (memory-high)
///   shear = half of compression (Tresca; design choice)
/// low and high are half and twice that: HU against measured density has R^2 0.55 (Vivanco 2014, found), and the laws
/// in use disagree by more than that. HU are taken as calibrated; uncalibrated scanners add 20 %.
struct ShearStrength {
  double typical_mpa = 0, low_mpa = 0, high_mpa = 0;
};
[[nodiscard]] ShearStrength shearStrengthFromHu(double hu);

}  // namespace rayset
