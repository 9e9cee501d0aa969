// Volumes on grids. A grid point (i, j, k) is a voxel CENTRE and lies at
//   origin + direction * diag(spacing) * (i, j, k)   in the patient frame (LPS, mm).
#pragma once

#include <cstdint>
#include <vector>

#include "geometry/types.h"

namespace rayset {

struct Grid {
  Eigen::Vector3i size = Eigen::Vector3i::Zero();
  Vec3 origin = Vec3::Zero();
  Vec3 spacing = Vec3::Ones();
  Mat3 direction = Mat3::Identity();  ///< columns: unit directions of increasing i, j, k

  [[nodiscard]] std::size_t count() const {
    return static_cast<std::size_t>(size.x()) * static_cast<std::size_t>(size.y()) * static_cast<std::size_t>(size.z());
  }
  [[nodiscard]] std::size_t offset(int i, int j, int k) const {
    return (static_cast<std::size_t>(k) * static_cast<std::size_t>(size.y()) + static_cast<std::size_t>(j)) *
               static_cast<std::size_t>(size.x()) +
           static_cast<std::size_t>(i);
  }
  [[nodiscard]] bool contains(int i, int j, int k) const {
    return i >= 0 && j >= 0 && k >= 0 && i < size.x() && j < size.y() && k < size.z();
  }
  /// Continuous index to patient coordinates and back.
  [[nodiscard]] Vec3 toPatient(const Vec3& index) const { return origin + direction * spacing.cwiseProduct(index); }
  [[nodiscard]] Vec3 toIndex(const Vec3& p) const {
    return (direction.transpose() * (p - origin)).cwiseQuotient(spacing);
  }
  /// The eight corners of the grid (voxel centres), in the patient frame.
  [[nodiscard]] Points corners() const;
};

template <class T>
struct Volume {
  Grid grid;
  std::vector<T> voxels;  ///< i fastest

  Volume() = default;
  explicit Volume(const Grid& g, T fill = T{}) : grid(g), voxels(g.count(), fill) {}

  [[nodiscard]] T& at(int i, int j, int k) { return voxels[grid.offset(i, j, k)]; }
  [[nodiscard]] const T& at(int i, int j, int k) const { return voxels[grid.offset(i, j, k)]; }
};

using CtVolume = Volume<std::int16_t>;     ///< HU
using LabelVolume = Volume<std::uint8_t>;  ///< 0 is background; values are anatomy::label()
using FloatVolume = Volume<float>;

/// Trilinear value at a patient point; `outside` if the point is off the grid.
template <class T>
[[nodiscard]] double sampleLinear(const Volume<T>& volume, const Vec3& p, double outside);
/// Gradient of the trilinear interpolant by central differences of half a voxel, per mm, patient frame; zero outside.
template <class T>
[[nodiscard]] Vec3 sampleGradient(const Volume<T>& volume, const Vec3& p);

extern template double sampleLinear(const Volume<std::int16_t>&, const Vec3&, double);
extern template double sampleLinear(const Volume<float>&, const Vec3&, double);
extern template Vec3 sampleGradient(const Volume<std::int16_t>&, const Vec3&);
extern template Vec3 sampleGradient(const Volume<float>&, const Vec3&);

}  // namespace rayset
