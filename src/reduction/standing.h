// Whether a ray is where it belongs, and whether the images can show it.
#pragma once

namespace rayset::reduction {

/// The solver's findings on one ray.
struct Standing {
  double strain = 0;     ///< cost of staying as scanned, in units of Tuning::keep_gain
  double away_mm = 0;    ///< how far its base is from its best place
  double within_mm = 0;  ///< 95 % half-width of that place
};

/// A ray stays as scanned unless that costs more than it does for rays in place and the ray would be called displaced.
/// If its place is uncertain it has to move by more than that uncertainty.
[[nodiscard]] bool stays(const Standing& ray);

/// Whether the images show if a ray is displaced, for a ray that stays or one that is reduced.
[[nodiscard]] bool imagesTell(const Standing& ray, bool stays);

}  // namespace rayset::reduction
