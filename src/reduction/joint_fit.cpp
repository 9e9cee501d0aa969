#include <algorithm>
#include <cmath>
#include <limits>
#include <vector>

#include "geometry/ray_caster.h"
#include "reduction/reduce.h"

namespace rayset {
namespace {

constexpr double kReachMm = 6;    // surfaces farther apart than this do not face each other
constexpr double kContactMm = 2;  // contract of JointFit::contact_mm2
constexpr double kRimBandMm = 4;  // depth of the strip behind the joint line in which the dorsal edge is looked for
constexpr double kColumnMm = 2;   // width of the columns compared across the joint
constexpr std::size_t kSamples = 4000;

}  // namespace

JointFit jointFit(const Surface& metatarsal, const Surface& tarsal, const Vec3& dorsal) {
  JointFit fit;
  if (metatarsal.empty() || tarsal.empty()) return fit;
  const RayCaster on_tarsal({&tarsal});
  const RayCaster on_metatarsal({&metatarsal});

  // Facing patch from the metatarsal's side: the nearest tarsal point lies ahead and looks back.
  const auto samples = sampleEvenly(metatarsal, kSamples);
  const double each = area(metatarsal) / static_cast<double>(samples.size());
  double sum = 0, facing = 0, closest = std::numeric_limits<double>::infinity();
  Vec3 joint_normal = Vec3::Zero(), joint_centre = Vec3::Zero();
  for (const OrientedPoint& s : samples) {
    const auto across = on_tarsal.nearest(s.position, 40);
    if (!across) continue;
    closest = std::min(closest, across->distance);
    if (across->distance > kReachMm || s.normal.dot(across->normal) > -0.5) continue;
    const double d = on_tarsal.inside(s.position) ? -across->distance : across->distance;
    if (d > 0.05 && s.normal.dot(across->position - s.position) < 0.5 * across->distance) continue;
    if (d < 0) fit.overlap_mm = std::max(fit.overlap_mm, -d);
    sum += d;
    facing += 1;
    joint_normal -= s.normal;
    joint_centre += s.position;
    if (d < kContactMm) fit.contact_mm2 += each;
  }
  for (const OrientedPoint& s : sampleEvenly(tarsal, kSamples)) {
    const auto across = on_metatarsal.nearest(s.position, kReachMm);
    if (across && on_metatarsal.inside(s.position)) fit.overlap_mm = std::max(fit.overlap_mm, across->distance);
  }
  if (facing == 0) {
    fit.gap_mm = std::isfinite(closest) ? closest : 0;
    return fit;
  }
  fit.gap_mm = sum / facing;
  joint_centre /= facing;

  // Dorsal edges on either side of the joint line, column by column across the foot.
  const Vec3 distal = (joint_normal - joint_normal.dot(dorsal) * dorsal).normalized();
  const Vec3 across = dorsal.cross(distal);
  struct Column {
    double metatarsal = -std::numeric_limits<double>::infinity(), tarsal = metatarsal;
  };
  constexpr int kColumns = 41;
  std::vector<Column> columns(kColumns);
  const auto column = [&](const Vec3& p) {
    return static_cast<int>(std::lround((p - joint_centre).dot(across) / kColumnMm)) + kColumns / 2;
  };
  for (const Surface* bone : {&metatarsal, &tarsal}) {
    for (const OrientedPoint& s : sampleEvenly(*bone, kSamples)) {
      const double along = (s.position - joint_centre).dot(distal) * (bone == &metatarsal ? 1 : -1);
      const int c = column(s.position);
      if (along < -kRimBandMm || along > kRimBandMm || c < 0 || c >= kColumns) continue;
      if (s.normal.dot(dorsal) < 0.3) continue;
      double& height = bone == &metatarsal ? columns[static_cast<std::size_t>(c)].metatarsal
                                           : columns[static_cast<std::size_t>(c)].tarsal;
      height = std::max(height, (s.position - joint_centre).dot(dorsal));
    }
  }
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
