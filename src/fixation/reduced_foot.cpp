#include "fixation/reduced_foot.h"

#include <tbb/parallel_for.h>

#include <algorithm>

namespace rayset::fixation {
namespace {

using path::Solid;
using path::Space;

constexpr double kReachMm = 42;           // of a metatarsal from its joint: entry points lie well within
constexpr double kHindfootVoxelMm = 1.2;  // devices only have to stay out of it

std::shared_ptr<const Space> shared(std::optional<Space> space) {
  return space ? std::make_shared<const Space>(std::move(*space)) : nullptr;
}

}  // namespace

std::optional<std::string> fragmentOf(const Device& device) {
  for (const std::string& id : device.through)
    if (isFragmentId(id)) return id;
  return std::nullopt;
}

std::vector<std::string> bonesOfRay(Ray ray) {
  return {std::string(boneId(metatarsal(ray))), std::string(boneId(tarsalPartner(ray)))};
}

const Surface* ReducedFoot::bone(Bone b) const {
  const auto it = input_.reduced->find(b);
  return it == input_.reduced->end() || it->second.empty() ? nullptr : &it->second;
}

double ReducedFoot::surfaceError(const std::string& id) const {
  const auto b = boneFromId(parentId(id));
  const auto it = b ? input_.surface_error_mm.find(*b) : input_.surface_error_mm.end();
  return it == input_.surface_error_mm.end() ? 0 : std::clamp(it->second, 0.0, kMostErrorMm);
}

double ReducedFoot::surfaceError(const std::vector<std::string>& ids) const {
  double most = 0;
  for (const std::string& id : ids) most = std::max(most, surfaceError(id));
  return most;
}

Ray rayWith(Bone bone) {
  const auto has = [&](Ray ray) { return metatarsal(ray) == bone || tarsalPartner(ray) == bone; };
  const auto ray = std::ranges::find_if(kRays, has);
  return ray == kRays.end() ? kPlacingOrder.front() : *ray;
}

std::vector<Bone> ReducedFoot::bonesNear(const std::vector<Ray>& rays) const {
  std::vector<Box> own;
  for (const Ray ray : rays)
    for (const Bone b : {metatarsal(ray), tarsalPartner(ray)})
      if (const Surface* s = bone(b)) {
        const Box box = bounds(*s);
        own.emplace_back(Vec3(box.min().array() - path::kBandMm), Vec3(box.max().array() + path::kBandMm));
      }
  for (const auto& [id, surface] : input_.fragments) {
    const auto parent = boneFromId(parentId(id));
    if (const Surface* s = parent ? bone(*parent) : nullptr) own.push_back(bounds(*s));
  }
  std::vector<Bone> near;
  for (const Bone b : kMidfootBones) {
    const Surface* s = bone(b);
    if (s == nullptr) continue;
    const Box box = bounds(*s);
    if (std::any_of(own.begin(), own.end(), [&](const Box& o) { return o.intersects(box); })) near.push_back(b);
  }
  return near;
}

void ReducedFoot::makeFields(const std::vector<Bone>& bones) {
  for (const Bone b : bones)
    if (const Surface* s = bone(b)) surfaces_[std::string(boneId(b))] = s;
  for (const auto& [id, surface] : input_.fragments)
    if (!surface.empty()) surfaces_[id] = &surface;
  std::vector<std::string> ids;
  for (const auto& [id, surface] : surfaces_)
    if (fields_.emplace(id, nullptr).second) ids.push_back(id);
  std::vector<std::unique_ptr<DistanceField>> made(ids.size());
  tbb::parallel_for(std::size_t{0}, ids.size(), [&](std::size_t i) {
    const bool hindfoot = ids[i] == "Cal" || ids[i] == "Tal";
    made[i] = std::make_unique<DistanceField>(*surfaces_.at(ids[i]), hindfoot ? kHindfootVoxelMm : path::kVoxelMm,
                                              path::kBandMm);
  });
  for (std::size_t i = 0; i < ids.size(); ++i) fields_[ids[i]] = std::move(made[i]);
}

std::optional<Solid> ReducedFoot::mainPart(Bone b) const {
  const std::string id(boneId(b));
  if (!fields_.contains(id)) return std::nullopt;
  return Solid{{part(id)}};
}

Solid ReducedFoot::withFragments(Bone b) const {
  const std::string id(boneId(b));
  Solid solid{{part(id)}};
  for (const auto& [fragment, surface] : input_.fragments)
    if (parentId(fragment) == id && !surface.empty()) solid.parts.push_back(part(fragment));
  return solid;
}

std::vector<Space::Obstacle> ReducedFoot::obstacles(const std::vector<std::string>& own) const {
  std::vector<Space::Obstacle> list;
  if (beside_ == Beside::kLeftOut) return list;
  for (const auto& [id, surface] : surfaces_) {
    const std::string parent = parentId(id);
    if (std::find(own.begin(), own.end(), parent) == own.end())
      list.push_back({id, fields_.at(id).get(), surface, surfaceError(parent)});
  }
  return list;
}

std::shared_ptr<const Space> ReducedFoot::raySpace(Ray ray) const {
  return shared(path::makeSpace(withFragments(metatarsal(ray)), withFragments(tarsalPartner(ray)),
                                obstacles(bonesOfRay(ray)), kReachMm));
}

std::shared_ptr<const Space> ReducedFoot::fragmentSpace(const std::string& fragment, bool into) const {
  const std::string parent = parentId(fragment);
  Solid first{{part(fragment)}}, last{{part(parent)}};
  auto others = obstacles({parent});
  for (const auto& [sister, surface] : input_.fragments)  // its wires stay clear of the other fragments
    if (sister != fragment && parentId(sister) == parent && !surface.empty())
      others.push_back({sister, fields_.at(sister).get(), &surface, surfaceError(parent)});
  if (into) std::swap(first, last);
  return shared(path::makeSpace(std::move(first), std::move(last), std::move(others), kReachMm));
}

std::shared_ptr<const Space> ReducedFoot::spaceOf(const Device& device) const {
  if (const auto fragment = fragmentOf(device)) {
    const bool there = surfaces_.contains(device.through[0]) && surfaces_.contains(device.through[1]);
    return there ? fragmentSpace(*fragment, *fragment == device.through.back()) : nullptr;
  }
  const bool there = bone(metatarsal(device.ray)) != nullptr && bone(tarsalPartner(device.ray)) != nullptr;
  return there ? raySpace(device.ray) : nullptr;
}

void ReducedFoot::forget(Bone b) {
  const std::string id(boneId(b));
  std::erase_if(fields_, [&](const auto& entry) { return parentId(entry.first) == id; });
  std::erase_if(surfaces_, [&](const auto& entry) { return parentId(entry.first) == id; });
}

}  // namespace rayset::fixation
