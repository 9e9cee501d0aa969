#include "xray/soft_tissue.h"

#include <tbb/parallel_for.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>

#include "image/sample.h"

namespace rayset {
namespace {

constexpr double kSampleMm = 5;  // of bones, and of the field: tissue between two bones is at least this wide
constexpr double kNearMm = 4;    // anything nearer counts as inside the bone

/// Bone that moves as one: its points after the move, and the inverse transform.
struct Carrier {
  Points points;
  Rigid back = Rigid::Identity();
};

/// Where the tissue at `p` came from, less `p`.
Vec3 cameFrom(const std::vector<Carrier>& carriers, const Vec3& p) {
  Vec3 sum = Vec3::Zero();
  double weights = 0;
  for (const Carrier& carrier : carriers) {
    double nearest = std::numeric_limits<double>::max();
    for (const Vec3& point : carrier.points) nearest = std::min(nearest, (point - p).squaredNorm());
    const double far = nearest + kNearMm * kNearMm, weight = 1 / (far * far);
    sum += weight * (carrier.back * p - p);
    weights += weight;
  }
  return weights > 0 ? Vec3(sum / weights) : Vec3::Zero();
}

}  // namespace

SoftTissue::SoftTissue(const FootBodies& bodies) : scanned_(bodies.soft) {
  for (const Body& body : bodies.bones) {
    const Grid& grid = body.added.grid;
    std::array<int, 3> step{};
    for (int a = 0; a < 3; ++a)
      step[static_cast<std::size_t>(a)] = std::max(1, static_cast<int>(std::lround(kSampleMm / grid.spacing[a])));
    for (int k = 0; k < grid.size.z(); k += step[2])
      for (int j = 0; j < grid.size.y(); j += step[1])
        for (int i = 0; i < grid.size.x(); i += step[0])
          if (body.added.at(i, j, k) > kOfBone) bones_[poseId(body.id)].push_back(grid.toPatient(Vec3(i, j, k)));
  }
}

CtVolume SoftTissue::carried(const std::map<std::string, Rigid>& poses) const {
  std::vector<Carrier> carriers;
  double farthest = 0;
  for (const auto& [id, points] : bones_) {
    const Rigid X = poseOf(poses, id);
    Carrier carrier{points, X.inverse()};
    for (Vec3& p : carrier.points) {
      const Vec3 gone = X * p;
      farthest = std::max(farthest, (gone - p).norm());
      p = gone;
    }
    carriers.push_back(std::move(carrier));
  }
  constexpr double kStillMm = 0.01;
  if (scanned_.voxels.empty() || farthest < kStillMm) return scanned_;

  Grid grid = scanned_.grid;
  Eigen::Vector3i margin;
  for (int a = 0; a < 3; ++a) margin[a] = static_cast<int>(std::ceil(farthest / grid.spacing[a]));
  grid.origin = grid.toPatient(-margin.cast<double>());
  grid.size += 2 * margin;
  // Where tissue came from on coarse nodes, which reach beyond the grid's end; linear between them.
  Eigen::Vector3i nodes;
  for (int a = 0; a < 3; ++a)
    nodes[a] = static_cast<int>(std::floor((grid.size[a] - 1) * grid.spacing[a] / kSampleMm)) + 2;
  Grid coarse = grid;
  coarse.spacing = Vec3::Constant(kSampleMm);
  coarse.size = nodes;
  Volume<Vec3> field(coarse, Vec3::Zero());
  tbb::parallel_for(0, nodes.z(), [&](int k) {
    for (int j = 0; j < nodes.y(); ++j)
      for (int i = 0; i < nodes.x(); ++i) field.at(i, j, k) = cameFrom(carriers, coarse.toPatient(Vec3(i, j, k)));
  });
  // Everything along the scan's own axes from here on: the same voxels, shifted by whole ones.
  for (Vec3& v : field.voxels) v = grid.direction.transpose() * v;
  const Vec3 per_voxel = grid.spacing / kSampleMm, voxels_per_mm = grid.spacing.cwiseInverse();
  CtVolume out(grid);
  tbb::parallel_for(0, grid.size.z(), [&](int k) {
    std::vector<Vec3> row(static_cast<std::size_t>(nodes.x()));
    const double z = k * per_voxel.z();
    const int below = static_cast<int>(z);
    for (int j = 0; j < grid.size.y(); ++j) {
      const double y = j * per_voxel.y();
      const int before = static_cast<int>(y);
      const double v = y - before, w = z - below;
      for (int i = 0; i < nodes.x(); ++i)
        row[static_cast<std::size_t>(i)] =
            (1 - w) * ((1 - v) * field.at(i, before, below) + v * field.at(i, before + 1, below)) +
            w * ((1 - v) * field.at(i, before, below + 1) + v * field.at(i, before + 1, below + 1));
      std::int16_t* to = &out.at(0, j, k);
      for (int i = 0; i < grid.size.x(); ++i) {
        const double x = i * per_voxel.x();
        const auto left = static_cast<std::size_t>(x);
        const double u = x - static_cast<double>(left);
        const Vec3 by = (1 - u) * row[left] + u * row[left + 1];
        const Vec3 from = (Eigen::Vector3i(i, j, k) - margin).cast<double>() + by.cwiseProduct(voxels_per_mm);
        // Relative to air: never negative.
        to[i] = static_cast<std::int16_t>(sampleLinearAt(scanned_, from, 0) + 0.5);
      }
    }
  });
  return out;
}

}  // namespace rayset
