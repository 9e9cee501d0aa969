// Plane images: radiographs read from files, and simulated ones.
#pragma once

#include <Eigen/Core>
#include <cstddef>
#include <optional>
#include <vector>

namespace rayset {

/// A single-channel picture. More attenuation is a larger value, so bone is bright whatever the file says
/// (MONOCHROME1 is inverted when read). Pixel (column, row); row by row from the top left.
struct Film {
  int columns = 0, rows = 0;
  std::vector<float> values;

  Film() = default;
  Film(int width, int height, float fill = 0)
      : columns(width),
        rows(height),
        values(static_cast<std::size_t>(width) * static_cast<std::size_t>(height), fill) {}

  [[nodiscard]] std::size_t offset(int column, int row) const {
    return static_cast<std::size_t>(row) * static_cast<std::size_t>(columns) + static_cast<std::size_t>(column);
  }
  [[nodiscard]] float& at(int column, int row) { return values[offset(column, row)]; }
  [[nodiscard]] float at(int column, int row) const { return values[offset(column, row)]; }
  /// The first pixel of a row.
  [[nodiscard]] float* row(int n) { return values.data() + offset(0, n); }
  [[nodiscard]] const float* row(int n) const { return values.data() + offset(0, n); }
  [[nodiscard]] bool empty() const { return values.empty(); }
};

/// Grey value between pixels (bilinear); nothing outside the film.
[[nodiscard]] std::optional<double> valueAt(const Film& film, const Eigen::Vector2d& point);

}  // namespace rayset
