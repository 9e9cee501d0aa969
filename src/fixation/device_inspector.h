// All checks of a device in place, measured on distance fields and meshes. Internal to the fixation stage.
#pragma once

#include <map>
#include <vector>

#include "fixation/construct.h"
#include "fixation/path_rule.h"

namespace rayset::fixation {

/// Not thread-safe.
class DeviceInspector {
 public:
  /// All arguments must outlive it.
  DeviceInspector(const ConstructInput& input, const Catalogue& catalogue, const ReducedFoot& foot)
      : input_(input), catalogue_(catalogue), foot_(foot) {}

  /// In its place among `all` (which may include it; it is recognised by id).
  [[nodiscard]] DeviceChecks checks(const Device& device, const std::vector<Device>& all, const Rule& rule) const;
  /// Whether it enters a bone that it is not planned through.
  [[nodiscard]] bool enters(const Device& device, Bone b) const;
  /// Whether it passes such a bone within the error of that bone's surface.
  [[nodiscard]] bool mayEnter(const Device& device, Bone b) const;

  /// Call after moving a bone.
  void forget(Bone b) { others_.erase(b); }

 private:
  [[nodiscard]] const RayCaster* nearOther(const Device& device, Bone b, double beyond_mm) const;
  [[nodiscard]] double meanHu(const Device& device, const Rule& rule, double from_mm) const;
  void checkPurchase(DeviceChecks& checks, const Device& device, const Rule& rule, double thread_from_mm) const;

  const ConstructInput& input_;
  const Catalogue& catalogue_;
  const ReducedFoot& foot_;
  struct OtherBone {
    Box box;
    RayCaster caster;
  };
  mutable std::map<Bone, OtherBone> others_;  // built when first asked for
};

}  // namespace rayset::fixation
