#include "geometry/distance_field.h"

#include <openvdb/openvdb.h>
#include <openvdb/tools/Dense.h>
#include <openvdb/tools/MeshToVolume.h>
#include <openvdb/tools/VolumeToMesh.h>
#include <tbb/blocked_range.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <mutex>

#include "geometry/triangle.h"

namespace rayset {
namespace {

void startOpenVdb() {
  static std::once_flag once;
  std::call_once(once, [] { openvdb::initialize(); });
}

using Dense = openvdb::tools::Dense<float, openvdb::tools::LayoutXYZ>;  // x fastest

constexpr float kExactBand = 1.5F;  ///< voxels on either side of the surface whose nearest triangle OpenVDB finds

/// Extends the distances from the narrow band, layer by layer (OpenVDB's own widening tests many triangles for every
/// voxel). A voxel's nearest triangle is that of one of its neighbours nearer to the surface, or one close to it: of
/// the neighbours' nearest points, those nearest to the voxel give the triangles to test. `values`: signed voxels;
/// within kExactBand exact, elsewhere only the sign counts. Beyond `band` they keep its sign and at least its size.
void widen(const std::vector<openvdb::Vec3s>& points, const std::vector<openvdb::Vec3I>& triangles,
           const openvdb::Int32Grid& nearest, const Eigen::Vector3i& size, float band, std::vector<float>& values) {
  using V = Eigen::Vector3f;
  constexpr std::size_t kAsked = 2;
  constexpr int kSteps = 6;
  struct Known {
    V point = V::Zero();  // of the surface, nearest to the voxel
    std::int32_t triangle = -1;
  };
  std::vector<Known> known(values.size());
  const auto corner = [&](std::int32_t t, int k) {
    const openvdb::Vec3s& p = points[triangles[static_cast<std::size_t>(t)][k]];
    return V(p.x(), p.y(), p.z());
  };
  const auto onTriangle = [&](std::int32_t t, const V& p) {
    return nearestOnTriangle<float>(p, corner(t, 0), corner(t, 1), corner(t, 2));
  };
  const auto nx = static_cast<std::ptrdiff_t>(size.x()), nxy = nx * size.y();
  const auto place = [&](std::size_t n) {
    const auto i = static_cast<std::ptrdiff_t>(n);
    return Eigen::Vector3i(static_cast<int>(i % nx), static_cast<int>(i / nx % size.y()), static_cast<int>(i / nxy));
  };
  std::vector<std::uint32_t> front;
  for (auto it = nearest.cbeginValueOn(); it; ++it) {
    const openvdb::Coord c = it.getCoord();
    if (c.x() < 0 || c.y() < 0 || c.z() < 0 || c.x() >= size.x() || c.y() >= size.y() || c.z() >= size.z()) continue;
    const std::size_t n = static_cast<std::size_t>(c.z() * nxy + c.y() * nx + c.x());
    if (*it < 0 || std::abs(values[n]) >= kExactBand) continue;
    known[n] = {onTriangle(*it, V(static_cast<float>(c.x()), static_cast<float>(c.y()), static_cast<float>(c.z()))),
                *it};
    front.push_back(static_cast<std::uint32_t>(n));
  }
  std::sort(front.begin(), front.end());
  std::vector<std::uint32_t> first(points.size() + 1, 0);  // triangles around each corner: around[first[v]...]
  for (const auto& t : triangles)
    for (int k = 0; k < 3; ++k) ++first[t[k] + 1];
  for (std::size_t v = 1; v < first.size(); ++v) first[v] += first[v - 1];
  std::vector<std::int32_t> around(first.back());
  {
    std::vector<std::uint32_t> cursor(first.begin(), first.end() - 1);
    for (std::size_t t = 0; t < triangles.size(); ++t)
      for (int k = 0; k < 3; ++k) around[cursor[triangles[t][k]]++] = static_cast<std::int32_t>(t);
  }
  const auto ask = [&](const Eigen::Vector3i& q) {
    const V p = q.cast<float>();
    std::array<std::pair<float, std::int32_t>, kAsked> best;
    best.fill({1e30F, -1});
    for (int c = std::max(0, q.z() - 1); c <= std::min(size.z() - 1, q.z() + 1); ++c)
      for (int b = std::max(0, q.y() - 1); b <= std::min(size.y() - 1, q.y() + 1); ++b)
        for (int a = std::max(0, q.x() - 1); a <= std::min(size.x() - 1, q.x() + 1); ++a) {
          const Known& k = known[static_cast<std::size_t>(c * nxy + b * nx + a)];
          if (k.triangle < 0) continue;
          std::pair<float, std::int32_t> entry{(k.point - p).squaredNorm(), k.triangle};
          if (entry.first >= best.back().first) continue;
          for (auto& e : best) {
            if (e.second == entry.second) break;
            if (entry.first < e.first) std::swap(e, entry);
          }
        }
    Known out;
    float least = 1e30F;
    for (const auto& [d, t] : best) {
      if (t < 0) break;
      const V on = onTriangle(t, p);
      if (const float exact = (on - p).squaredNorm(); exact < least) least = exact, out = {on, t};
    }
    // Fine meshes: continue to the triangle around the nearest corner that is nearer still.
    for (int step = 0; step < kSteps && out.triangle >= 0; ++step) {
      const openvdb::Vec3I& t = triangles[static_cast<std::size_t>(out.triangle)];
      std::uint32_t near = t[0];
      float shortest = 1e30F;
      for (int k = 0; k < 3; ++k)
        if (const float d = (corner(out.triangle, k) - out.point).squaredNorm(); d < shortest)
          shortest = d, near = t[k];
      const std::int32_t here = out.triangle;
      for (std::uint32_t at = first[near]; at < first[near + 1]; ++at) {
        const std::int32_t other = around[at];
        if (other == here) continue;
        const V on = onTriangle(other, p);
        if (const float exact = (on - p).squaredNorm(); exact < least) least = exact, out = {on, other};
      }
      if (out.triangle == here) break;
    }
    return out;
  };
  constexpr std::int32_t kClaimed = -2;
  std::vector<std::uint32_t> next;
  while (!front.empty()) {
    next.clear();
    for (const std::uint32_t n : front) {
      if (std::abs(values[n]) > band + 1) continue;
      const Eigen::Vector3i q = place(n);
      for (int axis = 0; axis < 3; ++axis)
        for (const int d : {-1, 1}) {
          if (q[axis] + d < 0 || q[axis] + d >= size[axis]) continue;
          const std::ptrdiff_t step = axis == 0 ? 1 : axis == 1 ? nx : nxy;
          const auto m = static_cast<std::size_t>(static_cast<std::ptrdiff_t>(n) + d * step);
          if (known[m].triangle != -1) continue;
          known[m].triangle = kClaimed;
          next.push_back(static_cast<std::uint32_t>(m));
        }
    }
    // A layer depends only on earlier ones: the same on any number of threads.
    std::vector<Known> found(next.size());
    tbb::parallel_for(tbb::blocked_range<std::size_t>(0, next.size(), 512),
                      [&](const tbb::blocked_range<std::size_t>& range) {
                        for (std::size_t at = range.begin(); at < range.end(); ++at) found[at] = ask(place(next[at]));
                      });
    for (std::size_t at = 0; at < next.size(); ++at) known[next[at]] = found[at];
    for (const std::uint32_t n : next)
      values[n] = std::copysign((known[n].point - place(n).cast<float>()).norm(), values[n]);
    front.swap(next);
  }
  for (std::size_t n = 0; n < values.size(); ++n)
    if (known[n].triangle < 0) values[n] = std::copysign(band + 1, values[n]);
}

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
  const openvdb::tools::QuadAndTriangleDataAdapter<openvdb::Vec3s, openvdb::Vec3I> mesh(points, triangles);
  const auto identity = openvdb::math::Transform::createLinearTransform(1.0);
  openvdb::Int32Grid nearest;
  const auto grid =
      openvdb::tools::meshToVolume<openvdb::FloatGrid>(mesh, *identity, kExactBand, kExactBand, 0, &nearest);

  values_.resize(static_cast<std::size_t>(size_.x()) * static_cast<std::size_t>(size_.y()) *
                 static_cast<std::size_t>(size_.z()));
  Dense dense(openvdb::CoordBBox(openvdb::Coord(0), openvdb::Coord(size_.x() - 1, size_.y() - 1, size_.z() - 1)),
              values_.data());
  openvdb::tools::copyToDense(*grid, dense);
  widen(points, triangles, nearest, size_, static_cast<float>(band_mm / voxel_mm), values_);
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
  // One layer of "outside" all around closes the surface where the object meets the border of the grid.
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
