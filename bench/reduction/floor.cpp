#include "floor.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "anatomy/frames.h"
#include "anatomy/procedural_foot.h"
#include "base/units.h"
#include "bench_data.h"
#include "geometry/registration.h"
#include "reduction/joint_figures.h"
#include "reduction/solver.h"

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

/// A turn by its parts about the foot's directions (medial, distal, dorsal), degrees.
Vec3 turnAboutDeg(const Mat3& R, const Frame& frame) {
  const Eigen::AngleAxisd turn(R);
  return toDegrees(1) * frame.components(turn.angle() * turn.axis());
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
  for (const Ray ray : kRays) {
    const Bone m = metatarsal(ray), t = tarsalPartner(ray);
    const MetatarsalAxis axis = metatarsalAxis(foot.at(m), frame.distal);
    const Vec3 twin_distal = start.linear().transpose() * axis.distal;
    const Rigid partner = aligned(theirs[t], mine[t], whole);
    const Rigid bone = aligned(theirs[m], mine[m], whole);
    const Rigid base = aligned(ofBase(theirs[m], twin_distal), ofBase(mine[m], axis.distal), bone);
    const auto print = [&](const char* words, const Rigid& by, const Rigid& own) {
      const Rigid off = by * own.inverse();  // from where the metatarsal stands to where the twin has it
      const Vec3 shift = frame.components(off * axis.base_point - axis.base_point);
      const Vec3 about = turnAboutDeg(off.linear(), frame);
      fmt::print("  ray {} {:34s} {:.2f} mm ({:+.2f} {:+.2f} {:+.2f}), {:.1f} deg ({:+.1f} {:+.1f} {:+.1f})\n", ray,
                 words, shift.norm(), shift.x(), shift.y(), shift.z(), about.norm(), about.x(), about.y(), about.z());
    };
    print("tarsus whole, metatarsal whole:", whole, bone);
    print("tarsus whole, metatarsal base:", whole, base);
    print("partner alone, metatarsal whole:", partner, bone);
    print("partner alone, metatarsal base:", partner, base);
  }
}

void printLikeness(const BoneSurfaces& foot, Side side) {
  using namespace reduction;
  const Foot& right = meanProceduralFoot();
  const BoneSurfaces invented = side == Side::kRight ? right.bones : mirrored(right.bones);
  const Progress none;
  auto patient = preparePatient(foot, side, none);
  if (!patient) return fmt::print("  {}\n", english(patient.error()));
  auto atlas = registerAtlas(*patient, invented, templateTuning(), none);
  if (!atlas) return fmt::print("  {}\n", english(atlas.error()));
  const Frame frame = footFrame(invented, side);
  const double mirror = side == Side::kRight ? 1 : -1;  // in a mirror every turn goes the other way
  for (const auto& [bone, map] : atlas->maps) {
    const DistanceField& field = patient->fields.at(bone);
    double sum = 0;
    const auto samples = sampleEvenly(invented.at(bone), 2000);
    for (const auto& s : samples) {
      const auto at = field.sample(atlas->whole(s.position));
      sum += std::pow(std::min(std::abs(at.distance), field.band()), 2);
    }
    const Vec3 about = mirror * turnAboutDeg(atlas->whole.R.transpose() * map.R, frame);
    fmt::print("  {:4s} {:.2f} mm, own fit {:.2f} mm, turned {:+.0f} {:+.0f} {:+.0f} deg\n", boneId(bone),
               std::sqrt(sum / static_cast<double>(samples.size())), atlas->residual_mm.at(bone), about.x(), about.y(),
               about.z());
  }
}

void printFigures(const BoneSurfaces& foot, Side side) {
  std::map<Bone, DistanceField> fields;
  for (const auto& [bone, surface] : foot) fields.emplace(bone, DistanceField(surface, 0.6, 6));
  fmt::print("{}\n", reduction::figuresJson(reduction::measureFoot(foot, fields, side), side));
}

}  // namespace rayset
