// From line integrals to the greys of a film: transmission, scatter, quantum noise, and the film's curve.
#pragma once

#include <cstdint>
#include <optional>
#include <span>

#include "image/film.h"

namespace rayset {

/// Attenuations (-log of exposure) that become 0 and 1.
struct ToneWindow {
  double low = 0, high = 1;
};

struct ToneSettings {
  /// Fraction of scatter in the radiation reaching the detector behind a uniform object: the primary picture, heavily
  /// blurred, is added at fraction / (1 - fraction). 0: none; a foot without a grid has about 0.2 (common practice, no
  /// source).
  double scatter_fraction = 0;
  double scatter_sigma_mm = 20;  ///< of the blur (common practice, no source)
  double pixel_mm = 0.2;         ///< of the detector, to convert the blur to pixels
  /// Photons that reach a pixel with no object in the beam, for Poisson noise. 0: no noise.
  double photons = 0;
  std::uint64_t seed = 1;
  /// Percentiles of the attenuation that become 0 and 1, taken over pixels with something in the beam (attenuation
  /// above `object`), or over all pixels if there are none.
  double low_percent = 1, high_percent = 99.5, object = 0.05;
  std::optional<ToneWindow> window;  ///< instead of the percentiles, to show several pictures alike
  /// Steepness of the film's S-shaped curve over the window: 0 is straight; 4 multiplies contrast in the middle by 1.3,
  /// 8 by 2.1.
  double contrast = 3;
};

/// The remaining exposure at each pixel (1 without an object), with scatter and noise as set: exp(-line integral).
/// `line_integrals`: rows x columns. Throws std::invalid_argument if the count is wrong or a setting is out of range
/// (scatter 0 to 0.95, everything else not negative, pixel and blur positive).
[[nodiscard]] Film exposure(std::span<const float> line_integrals, int columns, int rows,
                            const ToneSettings& settings = {});
/// The window that the percentiles of an exposure's attenuation give. Never empty.
[[nodiscard]] ToneWindow toneWindow(const Film& exposure, const ToneSettings& settings = {});
/// A film's response to an exposure: a logistic curve over -log exposure, as films have between toe and shoulder,
/// scaled so that the window's ends become 0 and 1; bone is bright.
[[nodiscard]] Film develop(const Film& exposure, const ToneSettings& settings = {});
/// exposure(), then develop().
[[nodiscard]] Film simulatedFilm(std::span<const float> line_integrals, int columns, int rows,
                                 const ToneSettings& settings = {});

}  // namespace rayset
