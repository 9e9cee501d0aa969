#include "fixation/purchase.h"

#include <algorithm>
#include <cmath>
#include <numbers>

namespace rayset {

double threadShapeFactor(double major_mm, double core_mm, double pitch_mm) {
  const double depth = (major_mm - core_mm) / 2;
  return 0.5 + 0.57735 * depth / pitch_mm;
}

double chapmanPullout(double shear_strength_mpa, double major_mm, double length_mm, double shape_factor) {
  return shear_strength_mpa * std::numbers::pi * major_mm * length_mm * shape_factor;
}

ShearStrength shearStrengthFromHu(double hu) {
  const double density = std::max(0.05, (114 + 0.916 * hu) / 1000);
  const double compression = 68 * std::pow(0.01, 0.06) * density * density;
  const double shear = compression / 2;
  return {shear, shear / 2, shear * 2};
}

}  // namespace rayset
