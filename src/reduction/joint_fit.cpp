#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <numeric>

#include "geometry/ray_caster.h"
#include "reduction/joint_step.h"
#include "reduction/reduce.h"

namespace rayset {
namespace reduction {
namespace {

constexpr double kRimBandMm = 4;     // depth of the strip behind the joint line that is searched for the dorsal edge
constexpr double kColumnMm = 2;      // width of the columns compared across the joint
constexpr double kOutsideSlope = 2;  // height lost per mm by points outside a column or strip, up to one mm off

}  // namespace

double dorsalStep(const std::vector<OrientedPoint>& metatarsal, const Rigid& X,
                  const std::vector<OrientedPoint>& tarsal, const Vec3& centre, const Vec3& normal,
                  const Vec3& dorsal) {
  const Vec3 distal = (normal - normal.dot(dorsal) * dorsal).normalized();
  const Vec3 across = dorsal.cross(distal);
  struct Column {
    double metatarsal = -std::numeric_limits<double>::infinity(), tarsal = metatarsal;
  };
  constexpr int kColumns = 41;
  std::array<Column, kColumns> columns;
  // A point also counts for the next column, lowered by how far off it lies: the step must not jump when the centre
  // moves slightly and a point changes columns.
  const auto raise = [&](const Vec3& position, const Vec3& outward, double Column::*side) {
    if (outward.dot(dorsal) < 0.3) return;
    const Vec3 from = position - centre;
    const double beyond = std::max(0.0, std::abs(from.dot(distal)) - kRimBandMm), sideways = from.dot(across);
    if (beyond > 1) return;
    const int nearest = static_cast<int>(std::lround(sideways / kColumnMm));
    for (int c = nearest - 1; c <= nearest + 1; ++c) {
      const double off = std::max(0.0, std::abs(sideways - c * kColumnMm) - kColumnMm / 2);
      if (off > 1 || std::abs(c) > kColumns / 2) continue;
      double& height = columns[static_cast<std::size_t>(c + kColumns / 2)].*side;
      height = std::max(height, from.dot(dorsal) - kOutsideSlope * (off + beyond));
    }
  };
  const Mat3 R = X.linear();
  for (const OrientedPoint& s : metatarsal) raise(X * s.position, R * s.normal, &Column::metatarsal);
  for (const OrientedPoint& s : tarsal) raise(s.position, s.normal, &Column::tarsal);
  std::vector<double> steps;
  for (const Column& c : columns)
    if (std::isfinite(c.metatarsal) && std::isfinite(c.tarsal)) steps.push_back(c.metatarsal - c.tarsal);
  if (steps.empty()) return 0;
  // Only the middle half counts: the rims of the joint fall off steeply.
  std::sort(steps.begin(), steps.end());
  const auto quarter = static_cast<std::ptrdiff_t>(steps.size() / 4);
  const auto first = steps.begin() + quarter, last = steps.end() - quarter;
  return std::accumulate(first, last, 0.0) / static_cast<double>(last - first);
}

}  // namespace reduction

using namespace reduction;

JointFit jointFit(const Surface& metatarsal, const Surface& tarsal, const Vec3& dorsal) {
  JointFit fit;
  if (metatarsal.empty() || tarsal.empty()) return fit;
  const RayCaster on_tarsal({&tarsal});
  const RayCaster on_metatarsal({&metatarsal});

  // Facing patch from the metatarsal's side: the nearest tarsal point lies ahead and looks back.
  const auto samples = sampleEvenly(metatarsal, kJointSamples), tarsal_samples = sampleEvenly(tarsal, kJointSamples);
  const double each = area(metatarsal) / static_cast<double>(samples.size());
  double sum = 0, facing = 0, closest = std::numeric_limits<double>::infinity();
  Vec3 joint_normal = Vec3::Zero(), joint_centre = Vec3::Zero();
  for (const OrientedPoint& s : samples) {
    const auto across = on_tarsal.nearest(s.position, 40);
    if (!across) continue;
    closest = std::min(closest, across->distance);
    if (across->distance > kJointReachMm || s.normal.dot(across->normal) > -0.5) continue;
    const double d = on_tarsal.inside(s.position) ? -across->distance : across->distance;
    if (d > 0.05 && s.normal.dot(across->position - s.position) < 0.5 * across->distance) continue;
    if (d < 0) fit.overlap_mm = std::max(fit.overlap_mm, -d);
    sum += d;
    facing += 1;
    joint_normal -= s.normal;
    joint_centre += s.position;
    if (d < kJointContactMm) fit.contact_mm2 += each;
  }
  for (const OrientedPoint& s : tarsal_samples) {
    const auto across = on_metatarsal.nearest(s.position, kJointReachMm);
    if (across && on_metatarsal.inside(s.position)) fit.overlap_mm = std::max(fit.overlap_mm, across->distance);
  }
  if (facing == 0) {
    fit.gap_mm = std::isfinite(closest) ? closest : 0;
    return fit;
  }
  fit.gap_mm = sum / facing;
  joint_centre /= facing;

  fit.step_mm = dorsalStep(samples, Rigid::Identity(), tarsal_samples, joint_centre, joint_normal, dorsal);
  return fit;
}

}  // namespace rayset
