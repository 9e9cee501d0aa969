#include "xray/soft_tissue.h"

#include <tbb/parallel_for.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>

namespace rayset {
namespace {

constexpr double kSampleMm = 5;  // of bones, and of the field: tissue between two bones is that wide or wider
constexpr double kNearMm = 4;    // nearer than this a bone is simply there

/// Bone that moves as one: points of it where it has gone, and the way back.
struct Carrier {
  Points points;
  Rigid back = Rigid::Identity();
};

std::vector<Carrier> carriersOf(const FootBodies& bodies, const std::map<std::string, Rigid>& poses, double& farthest) {
  std::map<std::string, Carrier> carriers;
  for (const Body& body : bodies.bones) {
    const std::string id = poseId(body.id);
    const auto pose = poses.find(id);
    const Rigid X = pose == poses.end() ? Rigid::Identity() : pose->second;
    Carrier& carrier = carriers[id];
    carrier.back = X.inverse();
    const Grid& grid = body.added.grid;
    std::array<int, 3> step{};
    for (int a = 0; a < 3; ++a)
      step[static_cast<std::size_t>(a)] = std::max(1, static_cast<int>(std::lround(kSampleMm / grid.spacing[a])));
    for (int k = 0; k < grid.size.z(); k += step[2])
      for (int j = 0; j < grid.size.y(); j += step[1])
        for (int i = 0; i < grid.size.x(); i += step[0]) {
          if (body.added.at(i, j, k) <= kOfBone) continue;
          const Vec3 p = grid.toPatient(Vec3(i, j, k));
          carrier.points.push_back(X * p);
          farthest = std::max(farthest, (X * p - p).norm());
        }
  }
  std::vector<Carrier> out;
  for (auto& [id, carrier] : carriers)
    if (!carrier.points.empty()) out.push_back(std::move(carrier));
  return out;
}

/// Where what is at `p` came from, less `p`.
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

CtVolume softCarried(const FootBodies& bodies, const std::map<std::string, Rigid>& poses) {
  double farthest = 0;
  const std::vector<Carrier> carriers = carriersOf(bodies, poses, farthest);
  if (bodies.soft.voxels.empty() || farthest < 0.01) return bodies.soft;

  Grid grid = bodies.soft.grid;
  Eigen::Vector3i margin;
  for (int a = 0; a < 3; ++a) margin[a] = static_cast<int>(std::ceil(farthest / grid.spacing[a]));
  grid.origin = grid.toPatient(-margin.cast<double>());
  grid.size += 2 * margin;
  // The field on coarse nodes, one layer beyond the grid's end; linear between them.
  Grid coarse = grid;
  coarse.spacing = Vec3::Constant(kSampleMm);
  for (int a = 0; a < 3; ++a)
    coarse.size[a] = static_cast<int>(std::floor((grid.size[a] - 1) * grid.spacing[a] / kSampleMm)) + 2;
  std::array<FloatVolume, 3> field{FloatVolume(coarse), FloatVolume(coarse), FloatVolume(coarse)};
  tbb::parallel_for(0, coarse.size.z(), [&](int k) {
    for (int j = 0; j < coarse.size.y(); ++j)
      for (int i = 0; i < coarse.size.x(); ++i) {
        const Vec3 from = cameFrom(carriers, coarse.toPatient(Vec3(i, j, k)));
        for (int a = 0; a < 3; ++a) field[static_cast<std::size_t>(a)].at(i, j, k) = static_cast<float>(from[a]);
      }
  });
  CtVolume out(grid);
  tbb::parallel_for(0, grid.size.z(), [&](int k) {
    for (int j = 0; j < grid.size.y(); ++j)
      for (int i = 0; i < grid.size.x(); ++i) {
        const Vec3 p = grid.toPatient(Vec3(i, j, k));
        const Vec3 from(sampleLinear(field[0], p, 0), sampleLinear(field[1], p, 0), sampleLinear(field[2], p, 0));
        out.at(i, j, k) = static_cast<std::int16_t>(std::lround(sampleLinear(bodies.soft, p + from, 0)));
      }
  });
  return out;
}

}  // namespace rayset
