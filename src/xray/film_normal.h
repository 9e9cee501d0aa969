// Makes pictures of the same object comparable: grey scales matched, local brightness and contrast removed. Internal to
// the registration of films.
#pragma once

#include <algorithm>
#include <array>
#include <cstdint>
#include <vector>

#include "image/film.h"
#include "xray/line_integrals.h"

namespace rayset {

/// Mean of factor x factor pixels; leftover pixels at the right and bottom are cut.
[[nodiscard]] Film binned(const Film& in, int factor);
/// The value of `in` at pixel (column, row) of another picture whose pixels are `step` times as wide as those of `in`
/// (bilinear; the border is extended). Both share their first pixel's outer corner, as with binned().
[[nodiscard]] double resampled(const Film& in, int column, int row, double step);
[[nodiscard]] Film cropped(const Film& in, const PixelBox& box);
/// 1 within `radius` pixels (a square) of anything above 0.
[[nodiscard]] Film dilated(const Film& in, int radius);
/// Approximates a Gaussian of this sigma (pixels) by three passes of a box. Zero beyond the border.
[[nodiscard]] Film blurred(const Film& in, int sigma);
/// Blurred by a Gaussian of this sigma (pixels), truncated at three sigma; border pixels are extended. For sigmas of a
/// few pixels.
[[nodiscard]] Film gaussian(const Film& in, double sigma);
/// How far blurred() spreads a pixel.
[[nodiscard]] int reach(int sigma);

/// A picture less its local mean, over its local standard deviation; both over usable pixels only (1, else 0).
struct Normalised {
  Film values;  ///< 0 where not usable
  Film spread;  ///< the local standard deviation, with a floor of kFloor of the picture's typical one
};
/// `share`: blurred `usable`, if already known.
[[nodiscard]] Normalised normalised(const Film& in, const Film& usable, int sigma, const Film* share = nullptr);

/// The derivative of a normalised picture from the derivative `d` of the picture. `share`: blurred `usable`; `spread`
/// and `values`: of the normalised picture.
void normaliseDerivative(Film& d, const Film& usable, const Film& share, const Film& spread, const Film& values,
                         int sigma);

/// A monotone grey scale given by knots; the identity if there are fewer than two.
class GreyScale {
 public:
  GreyScale() : GreyScale({0, 1}, {0, 1}) {}
  /// `from` rises strictly; at most 255 knots.
  GreyScale(const std::vector<float>& from, const std::vector<float>& to);
  [[nodiscard]] float operator()(float value) const {
    const float bucket = std::clamp((value - low_) * per_unit_, 0.0F, static_cast<float>(kBuckets - 1));
    const Piece* p = pieces_.data() + first_[static_cast<std::size_t>(bucket)];
    while (p->end <= value) ++p;
    return p->to + p->slope * (value - p->from);
  }
  /// From greys to values (slightly steepened where greys are constant).
  [[nodiscard]] GreyScale inverse() const;

 private:
  struct Piece {
    float from, end, to, slope;  ///< of source values, up to the next knot; the last has no end
  };
  static constexpr std::size_t kBuckets = 1024;
  std::vector<Piece> pieces_;
  float low_ = 0, per_unit_ = 1;
  std::array<std::uint8_t, kBuckets> first_{};  // the piece to start looking from, by bucket of values
};
/// Values of the pixels in `inside`, ascending.
[[nodiscard]] std::vector<float> sortedValues(const Film& in, const Film& inside);
/// The scale that gives `source`, where positive, the histogram of the film whose ascending values are in `target`;
/// pixels in `inside` only.
[[nodiscard]] GreyScale matchHistograms(const Film& source, const std::vector<float>& target, const Film& inside);

/// The value that `count` usable pixels reach.
[[nodiscard]] float brightest(const Film& in, const Film& inside, std::size_t count);

}  // namespace rayset
