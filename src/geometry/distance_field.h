// Signed distance to a closed surface, sampled on a dense grid: negative inside, positive outside, millimetres.
#pragma once

#include <functional>
#include <vector>

#include "geometry/surface.h"
#include "geometry/types.h"

namespace rayset {

/// Axis-aligned grid of signed distances in the frame the surface was given in.
/// value() is trilinear, exact to about 0.1 voxel near smooth surfaces. Values saturate at +-band; outside the grid the
/// value is at least +band (band plus distance to the grid's box), so far points never look close.
class DistanceField {
 public:
  struct Sample {
    double distance;
    Vec3 gradient;  ///< of the trilinear interpolant; about unit length within the band, zero where saturated
  };

  DistanceField() = default;
  /// From a closed surface (OpenVDB mesh to level set in the narrow band, extended from there by nearest triangles).
  /// `band_mm`: largest distance represented on both sides.
  DistanceField(const Surface& surface, double voxel_mm, double band_mm);
  /// From any function of position, sampled on a grid that covers `box`.
  DistanceField(const Box& box, double voxel_mm, double band_mm, const std::function<double(const Vec3&)>& f);

  [[nodiscard]] double value(const Vec3& p) const;
  [[nodiscard]] Sample sample(const Vec3& p) const;
  [[nodiscard]] double band() const { return band_; }
  [[nodiscard]] double voxel() const { return voxel_; }
  [[nodiscard]] const Box& box() const { return box_; }
  [[nodiscard]] bool empty() const { return values_.empty(); }
  [[nodiscard]] const Eigen::Vector3i& size() const { return size_; }
  /// Grid values, x fastest; point (i, j, k) lies at box().min() + voxel() * (i, j, k).
  [[nodiscard]] const std::vector<float>& values() const { return values_; }

 private:
  Box box_;
  double voxel_ = 1, band_ = 0;
  Eigen::Vector3i size_ = Eigen::Vector3i::Zero();
  std::vector<float> values_;
};

/// Surface where a scalar grid crosses `iso` (OpenVDB dual meshing, then every vertex moved onto the trilinear level
/// set). `values`: x fastest, `size` points, point (i,j,k) at origin + spacing * (i,j,k) (componentwise). Inside is
/// where value < iso. The grid is treated as outside (+) beyond its border, so the surface is closed. Triangles are
/// oriented outward.
[[nodiscard]] Surface isosurface(const std::vector<float>& values, const Eigen::Vector3i& size, const Vec3& origin,
                                 const Vec3& spacing, double iso);
/// The zero level of a distance field.
[[nodiscard]] Surface isosurface(const DistanceField& field, double iso = 0);

}  // namespace rayset
