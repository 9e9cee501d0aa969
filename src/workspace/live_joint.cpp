#include "workspace/live_joint.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>

namespace rayset {
namespace {

// As in reduction/joint_fit.cpp, whose measure this is.
constexpr double kReachMm = 6, kContactMm = 2, kRimBandMm = 4, kColumnMm = 2;
constexpr std::size_t kSamples = 4000;

constexpr double kVoxelMm = 1.0;
constexpr double kBandMm = kReachMm + 2;
constexpr double kFieldErrorMm = 0.8;  // of the interpolated distance near edges: wide of any seen

}  // namespace

LiveJoint::Bone::Bone(const Surface& surface)
    : caster({&surface}),
      field(surface, kVoxelMm, kBandMm),
      points(sampleEvenly(surface, kSamples)),
      each_mm2(area(surface) / static_cast<double>(std::max<std::size_t>(1, points.size()))) {}

LiveJoint::LiveJoint(const Surface& metatarsal, const Surface& tarsal, const Vec3& dorsal)
    : metatarsal_(metatarsal), tarsal_(tarsal), dorsal_(dorsal) {}

JointFit LiveJoint::at(const Rigid& X) const {
  JointFit fit;
  const Rigid back = X.inverse();
  const Mat3 R = X.linear();
  double sum = 0, facing = 0, closest = std::numeric_limits<double>::infinity();
  Vec3 joint_normal = Vec3::Zero(), joint_centre = Vec3::Zero();
  for (const OrientedPoint& s : metatarsal_.points) {
    const Vec3 p = X * s.position;
    if (tarsal_.field.value(p) > kReachMm + kFieldErrorMm) continue;
    const auto across = tarsal_.caster.nearest(p, kReachMm);
    if (!across) continue;
    closest = std::min(closest, across->distance);
    const Vec3 normal = R * s.normal;
    if (normal.dot(across->normal) > -0.5) continue;
    const double d = tarsal_.caster.inside(p) ? -across->distance : across->distance;
    if (d > 0.05 && normal.dot(across->position - p) < 0.5 * across->distance) continue;
    if (d < 0) fit.overlap_mm = std::max(fit.overlap_mm, -d);
    sum += d;
    facing += 1;
    joint_normal -= normal;
    joint_centre += p;
    if (d < kContactMm) fit.contact_mm2 += metatarsal_.each_mm2;
  }
  for (const OrientedPoint& s : tarsal_.points) {
    const Vec3 p = back * s.position;
    if (metatarsal_.field.value(p) > kFieldErrorMm) continue;
    const auto across = metatarsal_.caster.nearest(p, kReachMm);
    if (across && metatarsal_.caster.inside(p)) fit.overlap_mm = std::max(fit.overlap_mm, across->distance);
  }
  if (facing == 0) {
    if (!std::isfinite(closest))  // far apart: no patch to measure, only how far
      for (const OrientedPoint& s : metatarsal_.points)
        if (const auto across = tarsal_.caster.nearest(X * s.position, std::min(closest, 40.0)))
          closest = std::min(closest, across->distance);
    fit.gap_mm = std::isfinite(closest) ? closest : 0;
    return fit;
  }
  fit.gap_mm = sum / facing;
  joint_centre /= facing;

  const Vec3 distal = (joint_normal - joint_normal.dot(dorsal_) * dorsal_).normalized();
  const Vec3 across = dorsal_.cross(distal);
  struct Column {
    double metatarsal = -std::numeric_limits<double>::infinity(), tarsal = metatarsal;
  };
  constexpr int kColumns = 41;
  std::array<Column, kColumns> columns;
  const auto raise = [&](const Vec3& position, const Vec3& normal, double sign, double Column::*side) {
    const Vec3 from = position - joint_centre;
    const double along = sign * from.dot(distal);
    if (along < -kRimBandMm || along > kRimBandMm || normal.dot(dorsal_) < 0.3) return;
    const int c = static_cast<int>(std::lround(from.dot(across) / kColumnMm)) + kColumns / 2;
    if (c < 0 || c >= kColumns) return;
    double& height = columns[static_cast<std::size_t>(c)].*side;
    height = std::max(height, from.dot(dorsal_));
  };
  for (const OrientedPoint& s : metatarsal_.points) raise(X * s.position, R * s.normal, 1, &Column::metatarsal);
  for (const OrientedPoint& s : tarsal_.points) raise(s.position, s.normal, -1, &Column::tarsal);
  std::vector<double> steps;
  for (const Column& c : columns)
    if (std::isfinite(c.metatarsal) && std::isfinite(c.tarsal)) steps.push_back(c.metatarsal - c.tarsal);
  if (!steps.empty()) {
    std::nth_element(steps.begin(), steps.begin() + static_cast<std::ptrdiff_t>(steps.size() / 2), steps.end());
    fit.step_mm = steps[steps.size() / 2];
  }
  return fit;
}

}  // namespace rayset
