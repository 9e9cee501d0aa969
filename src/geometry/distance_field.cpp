#include "geometry/distance_field.h"

#include <openvdb/openvdb.h>
#include <openvdb/tools/Dense.h>
#include <openvdb/tools/MeshToVolume.h>
#include <openvdb/tools/VolumeToMesh.h>
#include <tbb/blocked_range.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <cmath>
#include <mutex>

namespace rayset {
namespace {

void startOpenVdb() {
  static std::once_flag once;
  std::call_once(once, [] { openvdb::initialize(); });
}

using Dense = openvdb::tools::Dense<float, openvdb::tools::LayoutXYZ>;  // x fastest

}  // namespace

DistanceField::DistanceField(const Surface& surface, double voxel_mm, double band_mm)
    : voxel_(voxel_mm), band_(band_mm) {
  if (surface.empty()) return;
  startOpenVdb();
  const double margin = band_mm + 2 * voxel_mm;
  const Box tight = bounds(surface);
  box_ = Box(Vec3(tight.min().array() - margin), Vec3(tight.max().array() + margin));
  for (int k = 0; k < 3; ++k) size_[k] = static_cast<int>(std::ceil(box_.sizes()[k] / voxel_mm)) + 1;
  box_.max() = box_.min() + voxel_mm * (size_ - Eigen::Vector3i::Ones()).cast<double>();

  // OpenVDB works in index space: vertices in voxels from the grid's corner, so the lattice is ours.
  std::vector<openvdb::Vec3s> points;
  points.reserve(surface.vertices.size());
  for (const Vec3& v : surface.vertices) {
    const Vec3 i = (v - box_.min()) / voxel_mm;
    points.emplace_back(static_cast<float>(i.x()), static_cast<float>(i.y()), static_cast<float>(i.z()));
  }
  std::vector<openvdb::Vec3I> triangles;
  triangles.reserve(surface.triangles.size());
  for (const auto& t : surface.triangles) triangles.emplace_back(t[0], t[1], t[2]);
  const float width = static_cast<float>(band_mm / voxel_mm) + 1.0F;
  const openvdb::tools::QuadAndTriangleDataAdapter<openvdb::Vec3s, openvdb::Vec3I> mesh(points, triangles);
  const auto identity = openvdb::math::Transform::createLinearTransform(1.0);
  const auto grid = openvdb::tools::meshToVolume<openvdb::FloatGrid>(mesh, *identity, width, width);

  values_.resize(static_cast<std::size_t>(size_.x()) * static_cast<std::size_t>(size_.y()) *
                 static_cast<std::size_t>(size_.z()));
  Dense dense(openvdb::CoordBBox(openvdb::Coord(0), openvdb::Coord(size_.x() - 1, size_.y() - 1, size_.z() - 1)),
              values_.data());
  openvdb::tools::copyToDense(*grid, dense);
  const float limit = static_cast<float>(band_mm), scale = static_cast<float>(voxel_mm);
  for (float& v : values_) v = std::clamp(v * scale, -limit, limit);
}

DistanceField::DistanceField(const Box& box, double voxel_mm, double band_mm,
                             const std::function<double(const Vec3&)>& f)
    : box_(box), voxel_(voxel_mm), band_(band_mm) {
  for (int k = 0; k < 3; ++k) size_[k] = static_cast<int>(std::ceil(box_.sizes()[k] / voxel_mm)) + 1;
  box_.max() = box_.min() + voxel_mm * (size_ - Eigen::Vector3i::Ones()).cast<double>();
  const auto nx = static_cast<std::size_t>(size_.x()), ny = static_cast<std::size_t>(size_.y());
  values_.resize(nx * ny * static_cast<std::size_t>(size_.z()));
  tbb::parallel_for(tbb::blocked_range<int>(0, size_.z()), [&](const tbb::blocked_range<int>& range) {
    for (int k = range.begin(); k < range.end(); ++k) {
      std::size_t at = static_cast<std::size_t>(k) * nx * ny;
      for (int j = 0; j < size_.y(); ++j) {
        for (int i = 0; i < size_.x(); ++i, ++at) {
          values_[at] = static_cast<float>(std::clamp(f(box_.min() + voxel_mm * Vec3(i, j, k)), -band_mm, band_mm));
        }
      }
    }
  });
}

DistanceField::Sample DistanceField::sample(const Vec3& p) const {
  if (values_.empty()) return {band_, Vec3::Zero()};
  const Vec3 q = (p - box_.min()) / voxel_;
  int cell[3];
  double f[3];
  for (int k = 0; k < 3; ++k) {
    if (!(q[k] >= 0 && q[k] <= size_[k] - 1)) {
      return {band_ + box_.exteriorDistance(p), Vec3::Zero()};
    }
    cell[k] = std::min(static_cast<int>(q[k]), size_[k] - 2);
    f[k] = q[k] - cell[k];
  }
  const auto nx = static_cast<std::size_t>(size_.x()), nxy = nx * static_cast<std::size_t>(size_.y());
  const float* v = values_.data() + static_cast<std::size_t>(cell[2]) * nxy + static_cast<std::size_t>(cell[1]) * nx +
                   static_cast<std::size_t>(cell[0]);
  const auto d = [v](std::size_t i) { return static_cast<double>(v[i]); };
  const double c00 = d(0) + f[0] * (d(1) - d(0));
  const double c10 = d(nx) + f[0] * (d(nx + 1) - d(nx));
  const double c01 = d(nxy) + f[0] * (d(nxy + 1) - d(nxy));
  const double c11 = d(nxy + nx) + f[0] * (d(nxy + nx + 1) - d(nxy + nx));
  const double c0 = c00 + f[1] * (c10 - c00), c1 = c01 + f[1] * (c11 - c01);
  Sample s;
  s.distance = c0 + f[2] * (c1 - c0);
  const double gx0 = (d(1) - d(0)) + f[1] * ((d(nx + 1) - d(nx)) - (d(1) - d(0)));
  const double gx1 = (d(nxy + 1) - d(nxy)) + f[1] * ((d(nxy + nx + 1) - d(nxy + nx)) - (d(nxy + 1) - d(nxy)));
  s.gradient = Vec3(gx0 + f[2] * (gx1 - gx0), (c10 - c00) + f[2] * ((c11 - c01) - (c10 - c00)), c1 - c0) / voxel_;
  return s;
}

double DistanceField::value(const Vec3& p) const { return sample(p).distance; }

Surface isosurface(const std::vector<float>& values, const Eigen::Vector3i& size, const Vec3& origin,
                   const Vec3& spacing, double iso) {
  startOpenVdb();
  // One layer of "outside" all round closes the surface where the object meets the border of the grid.
  const Eigen::Vector3i padded = size + Eigen::Vector3i::Constant(2);
  const auto px = static_cast<std::size_t>(padded.x()), py = static_cast<std::size_t>(padded.y()),
             pz = static_cast<std::size_t>(padded.z());
  const float outside = std::max(static_cast<float>(iso) + 1.0F, *std::max_element(values.begin(), values.end()));
  std::vector<float> field(px * py * pz, outside);
  for (int k = 0; k < size.z(); ++k) {
    for (int j = 0; j < size.y(); ++j) {
      const float* from = values.data() + (static_cast<std::size_t>(k) * static_cast<std::size_t>(size.y()) +
                                           static_cast<std::size_t>(j)) *
                                              static_cast<std::size_t>(size.x());
      std::copy(from, from + size.x(),
                field.data() + ((static_cast<std::size_t>(k) + 1) * py + static_cast<std::size_t>(j) + 1) * px + 1);
    }
  }
  const auto grid = openvdb::FloatGrid::create(outside);
  const Dense dense(
      openvdb::CoordBBox(openvdb::Coord(0), openvdb::Coord(padded.x() - 1, padded.y() - 1, padded.z() - 1)),
      field.data());
  openvdb::tools::copyFromDense(dense, *grid, 0.0F);
  std::vector<openvdb::Vec3s> points;
  std::vector<openvdb::Vec3I> triangles;
  std::vector<openvdb::Vec4I> quads;
  openvdb::tools::volumeToMesh(*grid, points, triangles, quads, iso, 0.0, true);

  const auto trilinear = [&](const Vec3& q) {
    int c[3];
    double f[3];
    for (int k = 0; k < 3; ++k) {
      const double x = std::clamp(q[k], 0.0, static_cast<double>(padded[k] - 1));
      c[k] = std::min(static_cast<int>(x), padded[k] - 2);
      f[k] = x - c[k];
    }
    const float* v = field.data() + (static_cast<std::size_t>(c[2]) * py + static_cast<std::size_t>(c[1])) * px +
                     static_cast<std::size_t>(c[0]);
    const auto lerp = [](double a, double b, double t) { return a + t * (b - a); };
    const auto d = [v](std::size_t i) { return static_cast<double>(v[i]); };
    return lerp(lerp(lerp(d(0), d(1), f[0]), lerp(d(px), d(px + 1), f[0]), f[1]),
                lerp(lerp(d(px * py), d(px * py + 1), f[0]), lerp(d(px * py + px), d(px * py + px + 1), f[0]), f[1]),
                f[2]);
  };
  Surface s;
  s.vertices.resize(points.size());
  tbb::parallel_for(tbb::blocked_range<std::size_t>(0, points.size()),
                    [&](const tbb::blocked_range<std::size_t>& range) {
                      for (std::size_t i = range.begin(); i < range.end(); ++i) {
                        const Vec3 start(static_cast<double>(points[i].x()), static_cast<double>(points[i].y()),
                                         static_cast<double>(points[i].z()));
                        Vec3 q = start;
                        // Dual vertices are means of edge crossings, a little inside convex surfaces: Newton steps put
                        // them on the level set.
                        for (int step = 0; step < 3; ++step) {
                          Vec3 g;
                          for (int k = 0; k < 3; ++k) {
                            const Vec3 h = 0.5 * Vec3::Unit(k);
                            g[k] = trilinear(q + h) - trilinear(q - h);
                          }
                          const double gg = g.squaredNorm();
                          if (gg < 1e-12) break;
                          q -= std::clamp((trilinear(q) - iso) / gg, -0.5 / std::sqrt(gg), 0.5 / std::sqrt(gg)) * g;
                        }
                        if (!((q - start).norm() < 1.0)) q = start;  // a flat or noisy spot: keep the dual vertex
                        s.vertices[i] = origin + spacing.cwiseProduct(Vec3(q.array() - 1.0));
                      }
                    });
  s.triangles.reserve(2 * quads.size() + triangles.size());
  for (const auto& t : triangles) s.triangles.push_back({t[0], t[1], t[2]});
  for (const auto& q : quads) {  // split along the shorter diagonal
    if ((s.vertices[q[0]] - s.vertices[q[2]]).squaredNorm() <= (s.vertices[q[1]] - s.vertices[q[3]]).squaredNorm()) {
      s.triangles.push_back({q[0], q[1], q[2]});
      s.triangles.push_back({q[0], q[2], q[3]});
    } else {
      s.triangles.push_back({q[1], q[2], q[3]});
      s.triangles.push_back({q[1], q[3], q[0]});
    }
  }
  if (volume(s) < 0) {
    for (auto& t : s.triangles) std::swap(t[1], t[2]);
  }
  return s;
}

Surface isosurface(const DistanceField& field, double iso) {
  return isosurface(field.values(), field.size(), field.box().min(), Vec3::Constant(field.voxel()), iso);
}

}  // namespace rayset
