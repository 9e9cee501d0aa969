// From line integrals to the grey of a film: transmission, scatter, quantum noise, and a film's curve.
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
  /// Share of scatter in all that reaches the detector behind an even object: the primary picture, blurred widely,
  /// is added at fraction / (1 - fraction). 0: none; a foot without a grid has about 0.2 (common practice, no source).
  double scatter_fraction = 0;
  double scatter_sigma_mm = 20;  ///< of the blur (common practice, no source)
  double pixel_mm = 0.2;         ///< of the detector, to turn the blur into pixels
  /// Photons that reach a pixel without any object; their number then has Poisson's spread. 0: no noise.
  double photons = 0;
  std::uint64_t seed = 1;
  /// Percentiles of the attenuation that become 0 and 1, taken over pixels with something in the ray (more than
  /// `object` attenuated); all pixels where nothing is.
  double low_percent = 1, high_percent = 99.5, object = 0.05;
  std::optional<ToneWindow> window;  ///< instead of the percentiles: to show several pictures alike
  /// Steepness of the film's S-shaped curve over the window: 0 is straight; 4 raises the contrast of the middle
  /// by 1.3, 8 by 2.1.
  double contrast = 3;
};

/// What is left of the exposure at each pixel (1 without object), with scatter and noise as set: exp(-line integral).
/// `line_integrals`: rows x columns. Throws std::invalid_argument where the count differs or a setting is out of range
/// (scatter 0 to 0.95, everything else not negative, pixel and blur positive).
[[nodiscard]] Film exposure(std::span<const float> line_integrals, int columns, int rows,
                            const ToneSettings& settings = {});
/// The window that the percentiles of an exposure's attenuation give. Never empty.
[[nodiscard]] ToneWindow toneWindow(const Film& exposure, const ToneSettings& settings = {});
/// A film's answer to an exposure: a logistic curve over -log exposure, as films have between toe and shoulder, scaled
/// so that the window's ends become 0 and 1; bone is bright.
[[nodiscard]] Film develop(const Film& exposure, const ToneSettings& settings = {});
/// exposure(), then develop().
[[nodiscard]] Film simulatedFilm(std::span<const float> line_integrals, int columns, int rows,
                                 const ToneSettings& settings = {});

}  // namespace rayset
