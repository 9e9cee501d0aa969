#include "fixation/construct_request.h"

#include <fmt/format.h>

#include "fixation/path_rule.h"

namespace rayset::fixation {

Status validRequest(const ConstructInput& input, const Catalogue& catalogue, const ConstructSettings& settings) {
  if (input.reduced == nullptr) return fail(Fault::kInternal, "fixation.planconstruct_given_no_bones");
  for (const std::string& id : {kScrew, kHoldingWire, kLateralWire, kFragmentWire}) {
    const ImplantType* type = catalogue.find(id);
    if (type == nullptr)
      return fail(Fault::kRequest, Message("fixation.implant_catalogue_has_no", {{"id", id}}), "implants",
                  Message("fixation.add_use_catalogue_comes_program_data"));
    if (type->kind != (id == kScrew ? DeviceKind::kScrew : DeviceKind::kWire))
      return fail(Fault::kRequest,
                  Message("fixation.implant_catalogue", {{"id", id}, {"word", nameOfKey(traits(type->kind).word)}}),
                  "implants", Message("fixation.use_catalogue_comes_program_data_implants"));
  }
  const auto range = [](double value, double low, double high, const char* name) -> Status {
    if (value >= low && value <= high) return {};
    return fail(Fault::kRequest, Message("fixation.mm_out_range", {{"value", plain(value)}}), name,
                Message("fixation.use_mm", {{"low", plain(low)}, {"high", plain(high)}}));
  };
  for (const auto& status : {range(settings.cortex_margin_mm, 0, 3, "cortex_margin_mm"),
                             range(settings.device_gap_mm, 0, 5, "device_gap_mm"),
                             range(settings.end_clearance_mm, 0, 3, "end_clearance_mm"),
                             range(settings.joint_bridge_mm, 5, 20, "joint_bridge_mm")})
    if (!status) return status;
  return {};
}

tl::unexpected<Error> notToBeChecked(const Device& device) {
  return fail(Fault::kRequest, Message("fixation.device_cannot_checked_bones_missing_do", {{"id", device.id}}),
              "through", Message("fixation.name_two_bones_order_device_enters"));
}

}  // namespace rayset::fixation
