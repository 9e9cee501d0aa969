// A kind of device in one place: traits, shape, and where its path may go. Each file src/fixation/device_kinds/NAME.cpp
// defines `DeviceModel device_kinds::NAME()`; the build finds it (cmake/Rayset.cmake). Its sizes are in
// data/implants.json, its name for people in the words ("key.NAME"). Internal to the fixation stage.
#pragma once

#include <memory>
#include <vector>

#include "fixation/device_kind.h"
#include "fixation/device_outline.h"
#include "fixation/path_rule.h"

namespace rayset {

struct DeviceModel {
  DeviceKind kind{};
  DeviceTraits traits;
  /// From the head or the stub to the point, without gaps; stretches of no length are dropped. `type` is null for an
  /// implant that the catalogue does not hold.
  std::vector<OutlineStretch> (*outline)(const Device& device, const ImplantType* type) = nullptr;
  /// How a device of a ray, metatarsal to tarsal bone, should lie.
  fixation::Rule (*rule)(const fixation::RuleBook& book, Ray ray, DeviceStage stage,
                         std::shared_ptr<const path::Space> space) = nullptr;
};

[[nodiscard]] const DeviceModel& modelOf(DeviceKind kind);

}  // namespace rayset
