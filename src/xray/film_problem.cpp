#include "xray/film_problem.h"

#include <fmt/format.h>

#include <algorithm>
#include <utility>

#include "xray/soft_tissue.h"

namespace rayset::film_fit {
namespace {

/// Bodies that form one unit, in the pose of the first.
using PartIds = std::vector<std::string>;

/// Position and extent of a group, from its volumes.
class Extent {
 public:
  void add(const CtVolume& volume, const Rigid& X) {
    const Grid& grid = volume.grid;
    for (const Vec3& corner : grid.corners()) corners_.push_back(X * corner);
    for (int k = 0; k < grid.size.z(); k += 2)
      for (int j = 0; j < grid.size.y(); j += 2)
        for (int i = 0; i < grid.size.x(); i += 2)
          if (volume.at(i, j, k) > kOfBone) {
            const Vec3 point = X * grid.toPatient(Vec3(i, j, k));
            sum_ += point;
            squares_ += point * point.transpose();
            count_ += 1;
          }
  }
  void describe(Group& g) const {
    if (count_ > 0)
      g.axis = Eigen::SelfAdjointEigenSolver<Mat3>(squares_ / count_ - sum_ * sum_.transpose() / (count_ * count_))
                   .eigenvectors()
                   .col(2);
    Box box;
    for (const Vec3& c : corners_) box.extend(c);
    g.centre = box.center();
    g.reach_mm = 0;
    for (const Vec3& c : corners_) g.reach_mm = std::max(g.reach_mm, (c - g.centre).norm());
  }

 private:
  std::vector<Vec3> corners_;
  Vec3 sum_ = Vec3::Zero();
  Mat3 squares_ = Mat3::Zero();
  double count_ = 0;
};

using Levels = std::array<LevelSettings, kLevels>;

/// Without parts if none of the bodies exists.
Group boneGroup(const std::string& id, const std::vector<PartIds>& parts, const FilmRegistrationInput& input,
                const Levels& levels) {
  Group g;
  g.id = id;
  Extent extent;
  for (const PartIds& ids : parts) {
    std::vector<const CtVolume*> volumes;
    for (const std::string& name : ids)
      if (const Body* body = input.bodies->find(name)) volumes.push_back(&body->added);
    if (volumes.empty()) continue;
    const Rigid X = poseOf(input.injured_to_planned, ids.front());
    const CtVolume merged = merge(volumes);
    extent.add(merged, X);
    g.parts.push_back(makePart(merged, X, levels));
  }
  if (!g.parts.empty()) extent.describe(g);
  return g;
}

/// A metatarsal with its fragments.
std::vector<PartIds> partsOfRay(const FootBodies& bodies, Ray ray) {
  const std::string id = fmt::format("M{}", ray);
  std::vector<PartIds> parts{{id}};
  for (const Body& body : bodies.bones)
    if (body.id.starts_with(id + ".")) parts.push_back({body.id});
  return parts;
}

Group metalGroup(const PlannedMetal& m, const std::vector<Group>& groups) {
  Group g;
  g.id = m.id;
  g.metal = &m;
  g.centre = 0.5 * (m.entry + m.tip);
  g.reach_mm = std::max(2.0, 0.5 * (m.tip - m.entry).norm());
  const auto ray = std::ranges::find(groups, m.rides, &Group::id);
  if (ray != groups.end()) g.rides = static_cast<int>(ray - groups.begin());
  return g;
}

/// Shown, but not compared: soft tissue, and toes.
std::vector<Group> passiveGroups(const FilmRegistrationInput& input, const Levels& levels) {
  std::vector<Group> out;
  const auto add = [&](const std::string& id, const CtVolume& volume) {
    Group g;
    g.id = id;
    g.parts.push_back(makePart(volume, poseOf(input.injured_to_planned, poseId(id)), levels));
    out.push_back(std::move(g));
  };
  if (!input.bodies->soft.voxels.empty()) add(kSoft, SoftTissue(*input.bodies).carried(input.injured_to_planned));
  for (const Body& body : input.bodies->bones)
    if (poseId(body.id) != body.id) add(body.id, body.added);
  return out;
}

}  // namespace

Result<Problem> problemOf(const FilmRegistrationInput& input, const FilmRegistrationSettings& settings) {
  Problem p;
  p.levels = {{{2.4, 2.0, 9}, {1.6, 1.5, 7}, {0.8, 1.0, 4.5}, {settings.fine_pixel_mm, 0.5, 3}}};
  const auto add = [&](const std::string& id, const std::vector<PartIds>& parts) {
    Group g = boneGroup(id, parts, input, p.levels);
    if (!g.parts.empty()) p.groups.push_back(std::move(g));
  };
  add("tarsus", {{"C1", "C2", "C3", "Cub", "Nav"}});
  if (p.groups.empty()) return fail(Fault::kRequest, "xray.tarsus_missing_plan", {}, Message("xray.plan_case_again"));
  add("hindfoot", {{"Tal", "Cal", "tibia", "fibula"}});
  p.core = p.groups.size();
  for (const Ray ray : kRays) add(fmt::format("M{}", ray), partsOfRay(*input.bodies, ray));
  p.bones = p.groups.size();
  for (const PlannedMetal& m : input.metal) p.groups.push_back(metalGroup(m, p.groups));
  p.passive = passiveGroups(input, p.levels);
  p.centre = p.groups.front().centre;
  return p;
}

}  // namespace rayset::film_fit
