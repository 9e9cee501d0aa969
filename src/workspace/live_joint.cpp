#include "workspace/live_joint.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include "reduction/joint_step.h"

namespace rayset {
namespace {

using namespace reduction;

constexpr double kVoxelMm = 1.0;
constexpr double kBandMm = kJointReachMm + 2;
constexpr double kFieldErrorMm = 0.8;  // of the interpolated distance near edges: well above any seen

}  // namespace

LiveJoint::Bone::Bone(const Surface& surface)
    : caster({&surface}),
      field(surface, kVoxelMm, kBandMm),
      points(sampleEvenly(surface, kJointSamples)),
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
    if (tarsal_.field.value(p) > kJointReachMm + kFieldErrorMm) continue;
    const auto across = tarsal_.caster.nearest(p, kJointReachMm);
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
    if (d < kJointContactMm) fit.contact_mm2 += metatarsal_.each_mm2;
  }
  for (const OrientedPoint& s : tarsal_.points) {
    const Vec3 p = back * s.position;
    if (metatarsal_.field.value(p) > kFieldErrorMm) continue;
    const auto across = metatarsal_.caster.nearest(p, kJointReachMm);
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
  fit.step_mm = dorsalStep(metatarsal_.points, X, tarsal_.points, joint_centre, joint_normal, dorsal_);
  return fit;
}

}  // namespace rayset
