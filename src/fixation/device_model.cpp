#include "fixation/device_model.h"

#include <algorithm>
#include <stdexcept>

namespace rayset {

std::vector<DeviceModel> deviceModels();  // made by cmake/Rayset.cmake

const DeviceModel& modelOf(DeviceKind kind) {
  static const std::vector<DeviceModel> models = deviceModels();
  const auto it = std::ranges::find(models, kind, &DeviceModel::kind);
  if (it == models.end()) throw std::logic_error("a kind of device has no file in device_kinds/");
  return *it;
}

const DeviceTraits& traits(DeviceKind kind) { return modelOf(kind).traits; }

}  // namespace rayset
