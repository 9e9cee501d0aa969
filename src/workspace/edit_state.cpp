#include "workspace/edit_state.h"

#include <fmt/format.h>

#include <algorithm>

#include "base/hash.h"

namespace rayset {
namespace {

std::uint64_t hashOf(const Rigid& X, std::uint64_t hash) {
  for (int k = 0; k < 12; ++k) hash = fnv1a(fmt::format("{:.9g},", X.matrix()(k / 4, k % 4)), hash);
  return hash;
}

/// The lists of bone edits, whatever their order in the file. Poses are no edits of bones.
nlohmann::json listsOf(const EditJson& edits) {
  nlohmann::json lists = nlohmann::json::object();
  if (edits.is_object())
    for (const auto& [key, value] : edits.items())
      if (value.is_array() && !value.empty() && key != "poses") lists[key] = nlohmann::json(value);
  return lists;
}

}  // namespace

const EditedDevice* EditState::device(const std::string& id) const {
  const auto it =
      std::find_if(devices.begin(), devices.end(), [&](const EditedDevice& d) { return d.device.id == id; });
  return it == devices.end() ? nullptr : &*it;
}

Rigid EditState::pose(Ray ray, const Case& planned) const {
  if (const Rigid* by_hand = find(poses, ray)) return *by_hand;
  const RayReduction* r = find(planned.reduction.rays, ray);
  return r != nullptr ? r->injured_to_reduced : Rigid::Identity();
}

std::string checkBasis(const EditState& state, const Case& planned, const std::string& plan_key, Ray ray) {
  std::uint64_t all = kFnvOffsetBasis;
  for (const Ray each : kRays) all = hashOf(state.pose(each, planned), all);
  return fmt::format("{}.{:016x}.{:016x}", plan_key, hashOf(state.pose(ray, planned), kFnvOffsetBasis), all);
}

bool samePlanAndRay(const std::string& basis, const std::string& other) {
  const auto own = basis.rfind('.');
  return own != std::string::npos && other.rfind('.') == own && basis.compare(0, own, other, 0, own) == 0;
}

std::string planKey(const std::string& plan_json) { return fmt::format("{:016x}", fnv1a(plan_json)); }

EditState plannedState(const Case& planned, const std::string& plan_key) {
  EditState state;
  for (const Device& d : planned.fixation.devices)
    state.devices.push_back({d, state.pose(d.ray, planned), false, checkBasis(state, planned, plan_key, d.ray)});
  return state;
}

EditJson mergedBoneEdits(EditJson merged, const EditJson& more) {
  for (const auto& [key, value] : more.items()) {
    if (value.is_array() && merged.contains(key) && merged[key].is_array())
      for (const EditJson& entry : value) merged[key].push_back(entry);
    else
      merged[key] = value;
  }
  return merged;
}

bool boneEditsWait(const EditJson& used, const EditJson& in_force) { return listsOf(used) != listsOf(in_force); }

}  // namespace rayset
