// Whether a ray stands where it belongs, and whether the images tell.
#pragma once

namespace rayset::reduction {

/// What the solver found of one ray.
struct Standing {
  double strain = 0;     ///< what staying as scanned costs, in units of Tuning::keep_gain
  double away_mm = 0;    ///< how far its base is from its best place
  double within_mm = 0;  ///< 95 % half-width of that place
};

/// A ray stays as scanned unless it costs more than rays in place do and it would be called displaced. What holds it
/// loosely must move it by more than it is sure of.
[[nodiscard]] bool stays(const Standing& ray);

/// Whether the images tell if a ray is displaced that stays, or that is put back.
[[nodiscard]] bool imagesTell(const Standing& ray, bool stays);

}  // namespace rayset::reduction
