// Exposures and volumes for the tests of src/xray.
#pragma once

#include <cmath>
#include <functional>
#include <numeric>
#include <random>

#include "image/volume.h"
#include "xray/projection.h"

namespace rayset::xray_test {

/// Square detector, the central ray through `centre` along `beam`, turned about it by `roll`.
inline ProjectionView viewAlong(const Vec3& beam, const Vec3& centre, double source_mm, double sid_mm, int pixels,
                                double pixel_mm, double roll = 0) {
  const Vec3 b = beam.normalized();
  ProjectionView v;
  v.right = Eigen::AngleAxisd(roll, b) * b.unitOrthogonal();
  v.down = b.cross(v.right);
  v.source = centre - source_mm * b;
  v.columns = v.rows = pixels;
  v.pixel_mm = pixel_mm;
  v.detector = v.source + sid_mm * b - pixel_mm * (pixels - 1) / 2 * (v.right + v.down);
  return v;
}

inline std::vector<float> blank(const ProjectionView& v) {
  return std::vector<float>(static_cast<std::size_t>(v.columns) * static_cast<std::size_t>(v.rows));
}

/// A grid with its middle at the origin.
inline Grid centred(const Eigen::Vector3i& size, const Vec3& spacing, const Mat3& direction = Mat3::Identity()) {
  Grid g;
  g.size = size;
  g.spacing = spacing;
  g.direction = direction;
  g.origin = -(direction * spacing.cwiseProduct((size.cast<double>() - Vec3::Ones()) / 2));
  return g;
}

/// `value` inside a body told by its signed distance (negative inside), ramped over one voxel at its skin.
inline Volume<std::int16_t> voxelised(const Grid& grid, double value,
                                      const std::function<double(const Vec3&)>& distance) {
  Volume<std::int16_t> out(grid);
  const double width = grid.spacing.mean();
  for (int k = 0; k < grid.size.z(); ++k)
    for (int j = 0; j < grid.size.y(); ++j)
      for (int i = 0; i < grid.size.x(); ++i)
        out.at(i, j, k) = static_cast<std::int16_t>(
            std::lround(value * std::clamp(0.5 - distance(grid.toPatient(Vec3(i, j, k))) / width, 0.0, 1.0)));
  return out;
}

/// Length of the line through `origin` along the unit direction within a ball.
inline double ballChord(const Vec3& origin, const Vec3& direction, const Vec3& centre, double radius) {
  const double b = (centre - origin).dot(direction), d2 = (centre - origin).squaredNorm() - b * b;
  return d2 < radius * radius ? 2 * std::sqrt(radius * radius - d2) : 0;
}

/// Sum of |a - b| over sum of |b|.
template <class A, class B>
double relativeL1(const A& a, const B& b) {
  double error = 0, sum = 0;
  for (std::size_t n = 0; n < b.size(); ++n) {
    error += std::abs(static_cast<double>(a[n]) - static_cast<double>(b[n]));
    sum += std::abs(static_cast<double>(b[n]));
  }
  return sum > 0 ? error / sum : error;
}

inline Mat3 randomRotation(std::mt19937_64& random) {
  std::normal_distribution<double> normal;
  const double w = normal(random), x = normal(random), y = normal(random), z = normal(random);
  return Eigen::Quaterniond(w, x, y, z).normalized().toRotationMatrix();
}

/// A bone-like body: ellipsoid with a dense shell, spongy inside with a texture of a few voxels.
inline Volume<std::int16_t> boneLike(const Grid& grid, double radius) {
  Volume<std::int16_t> out(grid);
  for (int k = 0; k < grid.size.z(); ++k)
    for (int j = 0; j < grid.size.y(); ++j)
      for (int i = 0; i < grid.size.x(); ++i) {
        const Vec3 p = grid.toPatient(Vec3(i, j, k));
        const double depth = (1 - p.cwiseQuotient(Vec3(1, 0.8, 1.3)).norm() / radius) * radius * 0.8;
        const double width = 1.5 * grid.spacing.mean();
        const double outer = std::clamp(depth / width + 0.5, 0.0, 1.0);
        const double inner = std::clamp((depth - 2) / width + 0.5, 0.0, 1.0);
        const double sponge = 1300 + 150 * std::sin(2.1 * p.x()) * std::sin(1.7 * p.y() + 1) * std::sin(1.9 * p.z());
        out.at(i, j, k) = static_cast<std::int16_t>(std::lround(2400 * (outer - inner) + sponge * inner));
      }
  return out;
}

}  // namespace rayset::xray_test
