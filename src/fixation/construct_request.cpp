#include "fixation/construct_request.h"

#include <fmt/format.h>

#include "fixation/path_rule.h"

namespace rayset::fixation {

Status validRequest(const ConstructInput& input, const Catalogue& catalogue, const ConstructSettings& settings) {
  if (input.reduced == nullptr) return fail(Fault::kInternal, "planConstruct was given no bones");
  for (const std::string& id : {kScrew, kHoldingWire, kLateralWire, kFragmentWire}) {
    const ImplantType* type = catalogue.find(id);
    if (type == nullptr)
      return fail(Fault::kRequest, fmt::format("the implant catalogue has no \"{}\"", id), "implants",
                  "Add it or use the catalogue that comes with the program (data/implants.json).");
    if (type->kind != (id == kScrew ? DeviceKind::kScrew : DeviceKind::kWire))
      return fail(Fault::kRequest, fmt::format("\"{}\" of the implant catalogue is a {}", id, traits(type->kind).word),
                  "implants", "Use the catalogue that comes with the program (data/implants.json).");
  }
  const auto range = [](double value, double low, double high, const char* name) -> Status {
    if (value >= low && value <= high) return {};
    return fail(Fault::kRequest, fmt::format("{} mm is out of range", value), name,
                fmt::format("Use {} to {} mm.", low, high));
  };
  for (const auto& status : {range(settings.cortex_margin_mm, 0, 3, "cortex_margin_mm"),
                             range(settings.device_gap_mm, 0, 5, "device_gap_mm"),
                             range(settings.end_clearance_mm, 0, 3, "end_clearance_mm"),
                             range(settings.joint_bridge_mm, 5, 20, "joint_bridge_mm")})
    if (!status) return status;
  return {};
}

tl::unexpected<Error> notToBeChecked(const Device& device) {
  return fail(Fault::kRequest,
              fmt::format("device {} cannot be checked: its bones are missing or do not face each other", device.id),
              "through", "Name the two bones in the order the device enters them.");
}

}  // namespace rayset::fixation
