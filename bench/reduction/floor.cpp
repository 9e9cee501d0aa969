#include "floor.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "anatomy/frames.h"
#include "base/units.h"
#include "geometry/ray_caster.h"
#include "geometry/registration.h"

namespace rayset {
namespace {

constexpr double kBaseMm = 18;

std::vector<OrientedPoint> ofBase(const std::vector<OrientedPoint>& points, const Vec3& distal) {
  double end = 1e30;
  for (const auto& p : points) end = std::min(end, p.position.dot(distal));
  std::vector<OrientedPoint> out;
  for (const auto& p : points)
    if (p.position.dot(distal) - end < kBaseMm) out.push_back(p);
  return out;
}

/// Centroids and axes tell where to start: both feet are healthy and named.
Rigid startOf(const BoneSurfaces& from, const BoneSurfaces& to) {
  Points a, b;
  for (const Bone bone : kMidfootBones) {
    if (!from.contains(bone) || !to.contains(bone)) continue;
    a.push_back(centroid(from.at(bone)));
    b.push_back(centroid(to.at(bone)));
  }
  return fitRigid(a, b);
}

Rigid aligned(const std::vector<OrientedPoint>& moving, const std::vector<OrientedPoint>& fixed, const Rigid& start) {
  IcpSettings settings;
  settings.start_reach_mm = 5;
  settings.end_reach_mm = 2;
  return alignIcp(moving, AlignmentTarget(fixed), start, settings).moving_to_fixed;
}

}  // namespace

void printAsymmetry(const BoneSurfaces& foot, const BoneSurfaces& other, Side side) {
  const BoneSurfaces twin = mirrored(other);
  const Frame frame = footFrame(foot, side);
  const Rigid start = startOf(twin, foot);
  std::map<Bone, std::vector<OrientedPoint>> mine, theirs;
  std::vector<OrientedPoint> tarsus, twin_tarsus;
  for (const Bone b : kMidfootBones) {
    mine[b] = sampleEvenly(foot.at(b), 6000);
    theirs[b] = sampleEvenly(twin.at(b), 2500, 7);
  }
  for (const Bone b : kMidTarsus) {
    tarsus.insert(tarsus.end(), mine[b].begin(), mine[b].end());
    twin_tarsus.insert(twin_tarsus.end(), theirs[b].begin(), theirs[b].end());
  }
  const Rigid whole = aligned(twin_tarsus, tarsus, start);
  for (int ray = 1; ray <= 5; ++ray) {
    const Bone m = metatarsal(ray), t = tarsalPartner(ray);
    const MetatarsalAxis axis = metatarsalAxis(foot.at(m), frame.distal);
    const Vec3 twin_distal = start.linear().transpose() * axis.distal;
    const Rigid partner = aligned(theirs[t], mine[t], whole);
    const Rigid bone = aligned(theirs[m], mine[m], whole);
    const Rigid base = aligned(ofBase(theirs[m], twin_distal), ofBase(mine[m], axis.distal), bone);
    const auto print = [&](const char* words, const Rigid& by, const Rigid& own) {
      const Rigid off = by * own.inverse();  // from where the metatarsal stands to where the twin has it
      const Vec3 shift = frame.components(off * axis.base_point - axis.base_point);
      const Eigen::AngleAxisd turn(Mat3(off.linear()));
      const Vec3 about = toDegrees(1) * frame.components(turn.angle() * turn.axis());
      fmt::print("  ray {} {:34s} {:.2f} mm ({:+.2f} {:+.2f} {:+.2f}), {:.1f} deg ({:+.1f} {:+.1f} {:+.1f})\n", ray,
                 words, shift.norm(), shift.x(), shift.y(), shift.z(), about.norm(), about.x(), about.y(), about.z());
    };
    print("tarsus whole, metatarsal whole:", whole, bone);
    print("tarsus whole, metatarsal base:", whole, base);
    print("partner alone, metatarsal whole:", partner, bone);
    print("partner alone, metatarsal base:", partner, base);
  }
}

void printBorders(const BoneSurfaces& foot, Side side) {
  const Frame frame = footFrame(foot, side);
  for (int ray = 1; ray <= 5; ++ray) {
    const Bone m = metatarsal(ray), t = tarsalPartner(ray);
    const RayCaster metatarsal_caster({&foot.at(m)});
    // The joint: points of the metatarsal that face the partner.
    const auto face = facingPatch(foot.at(m), foot.at(t), 3.0);
    if (face.size() < 20) continue;
    Vec3 normal = Vec3::Zero();
    for (const auto& p : face) normal -= p.normal;
    normal.normalize();  // distal
    Vec3 dorsal = frame.dorsal - frame.dorsal.dot(normal) * normal;
    dorsal.normalize();
    const Vec3 medial = side == Side::kRight ? Vec3(dorsal.cross(normal)) : Vec3(normal.cross(dorsal));
    Vec3 middle = Vec3::Zero();
    for (const auto& p : face) middle += p.position / static_cast<double>(face.size());
    // Walls of the partner 2 to 5 mm behind the joint line, carried straight across it.
    std::array<std::vector<double>, 4> steps;
    double reach = 0;
    for (const auto& p : face) reach = std::max(reach, (p.position - middle).norm());
    for (const auto& s : sampleEvenly(foot.at(t), 8000)) {
      const Vec3 r = s.position - middle;
      const double along = r.dot(normal);
      if (along > -2 || along < -6 || std::abs(s.normal.dot(normal)) > 0.4) continue;
      if ((r - along * normal).norm() > reach + 4) continue;
      const Vec3 there = s.position + (-along + 3.0) * normal;
      const auto near = metatarsal_caster.nearest(there, 5);
      if (!near || std::abs(near->normal.dot(normal)) > 0.6) continue;
      if (near->normal.dot(s.normal) < 0.6) continue;
      const double d = metatarsal_caster.inside(there) ? near->distance : -near->distance;
      const double up = s.normal.dot(dorsal), in = s.normal.dot(medial);
      const std::size_t k = std::abs(up) > std::abs(in) ? (up > 0 ? 0 : 2) : (in > 0 ? 1 : 3);
      steps[k].push_back(d);
    }
    std::string line;
    for (std::size_t k = 0; k < 4; ++k) {
      double sum = 0, sum2 = 0;
      for (const double d : steps[k]) {
        sum += d;
        sum2 += d * d;
      }
      const double n = std::max<double>(1, static_cast<double>(steps[k].size()));
      line += fmt::format(" {} {:+.2f} sd {:.2f} n {:3d};", std::array{"dorsal", "medial", "plantar", "lateral"}[k],
                          sum / n, std::sqrt(std::max(0.0, sum2 / n - sum * sum / n / n)), steps[k].size());
    }
    fmt::print("  ray {}{}\n", ray, line);
  }
}

}  // namespace rayset
