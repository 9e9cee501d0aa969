#include "reduction/borders.h"

#include <fmt/format.h>

#include <Eigen/Eigenvalues>
#include <algorithm>
#include <array>
#include <cmath>

#include "anatomy/section.h"

namespace rayset::reduction {
namespace {

constexpr double kFromMm = -6, kToMm = -1.5, kAcrossMm = 3.5;  // along the joint's normal
constexpr double kSquare = 0.4;  // the normal of a wall has at most this component along that of the joint
constexpr double kFacing = 0.7;  // and at least this much outward
constexpr double kBesideMm = 3;  // how far a wall lies from the face it borders
constexpr std::size_t kFewest = 10;
constexpr double kBaseMm = 20;

}  // namespace

std::vector<BorderSite> borderSites(const Frame& foot) {
  struct Way {
    const char* word;
    Vec3 direction;
  };
  const std::array<Way, 4> round{
      {{"dorsal", foot.dorsal}, {"medial", foot.medial}, {"plantar", -foot.dorsal}, {"lateral", -foot.medial}}};
  std::vector<BorderSite> out;
  const auto named = [](Bone a, Bone b, const std::string& words) {
    return fmt::format("{}-{} {}", boneId(a), boneId(b), words);
  };
  for (const Ray ray : kRays) {
    const Bone t = tarsalPartner(ray), m = metatarsal(ray);
    for (std::size_t w = 0; w < round.size(); ++w)
      for (const std::size_t h : {(w + 1) % 4, (w + 3) % 4})
        out.push_back({named(t, m, fmt::format("{} {}", round[w].word, round[h].word)), t, m, foot.distal,
                       round[w].direction, round[h].direction});
  }
  for (const Ray ray : kRays) {
    const auto next = ray.lateral();
    if (!next) break;
    const Bone a = metatarsal(ray), b = metatarsal(*next);
    for (const Way& way : {round[0], round[2], Way{"proximal", -foot.distal}})
      out.push_back({named(a, b, way.word), a, b, -foot.medial, way.direction, Vec3::Zero()});
    out.push_back({named(a, b, "closest"), a, b, -foot.medial, Vec3::Zero(), Vec3::Zero()});
  }
  for (const auto& [a, b] :
       {std::pair(Bone::kC1, Bone::kM2), std::pair(Bone::kC3, Bone::kM2), std::pair(Bone::kC3, Bone::kM4)})
    out.push_back({named(a, b, "closest"), a, b, b == Bone::kM2 && a == Bone::kC3 ? foot.medial : Vec3(-foot.medial),
                   Vec3::Zero(), Vec3::Zero()});
  return out;
}

JointPlane jointPlane(const Points& places, const std::vector<double>& weights, const Vec3& across) {
  JointPlane joint;
  double total = 0;
  for (std::size_t i = 0; i < places.size(); ++i) {
    joint.middle += weights[i] * places[i];
    total += weights[i];
  }
  if (total <= 0) return {};
  joint.middle /= total;
  Mat3 scatter = Mat3::Zero();
  for (std::size_t i = 0; i < places.size(); ++i) {
    const Vec3 r = places[i] - joint.middle;
    scatter += weights[i] * r * r.transpose();
    if (weights[i] > 0) joint.size_mm = std::max(joint.size_mm, r.norm());
  }
  joint.normal = Eigen::SelfAdjointEigenSolver<Mat3>(scatter).eigenvectors().col(0);
  if (joint.normal.dot(across) < 0) joint.normal = -joint.normal;
  return joint;
}

Points carriedWall(const std::vector<OrientedPoint>& skin, const JointPlane& joint, const BorderSite& site) {
  Points out;
  const Vec3 wall = (site.outward - site.outward.dot(joint.normal) * joint.normal).normalized();
  if (!joint.found() || !wall.allFinite() || wall.isZero()) return out;
  for (const OrientedPoint& s : skin) {
    const Vec3 r = s.position - joint.middle;
    const double along = r.dot(joint.normal);
    if (along < kFromMm || along > kToMm || std::abs(s.normal.dot(joint.normal)) > kSquare) continue;
    if (s.normal.dot(wall) < kFacing || (r - along * joint.normal).norm() > joint.size_mm + kBesideMm) continue;
    if (r.dot(site.half) < 0) continue;
    out.push_back(s.position + (kAcrossMm - along) * joint.normal);
  }
  if (out.size() < kFewest) out.clear();
  return out;
}

Points closenessPlaces(const Surface& bone, bool metatarsal, const Vec3& distal) {
  Points out;
  if (bone.empty()) return out;
  const double end = metatarsal ? extentAlong(bone, distal).from + kBaseMm : 1e9;
  for (const OrientedPoint& s : sampleEvenly(bone, static_cast<std::size_t>(area(bone))))
    if (s.position.dot(distal) < end) out.push_back(s.position);
  return out;
}

}  // namespace rayset::reduction
