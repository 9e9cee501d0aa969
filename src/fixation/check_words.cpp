#include "fixation/check_words.h"

#include <fmt/format.h>
#include <fmt/ranges.h>

#include <algorithm>

#include "anatomy/part_id.h"
#include "base/units.h"
#include "base/words.h"

namespace rayset {
namespace {

constexpr double kFragmentMarginMm = 0.5;  // fragments are thin (design choice)
constexpr double kNearToleranceMm = 0.05;
constexpr double kOffCentreMm = 5;
/// Reference table D: one 3.5 mm screw takes up 2 to 4 % of the larger joints, and up to 5.7 % of the intermediate
/// cuneiform's face.
constexpr double kJointSharePercent = 10;
constexpr double kSoftHu = 150;

bool isFragmentWire(const Device& device) {
  return std::any_of(device.through.begin(), device.through.end(),
                     [](const std::string& id) { return isFragmentId(id); });
}

}  // namespace

double marginWanted(const Device& device, const ConstructSettings& settings) {
  return isFragmentWire(device) ? std::min(kFragmentMarginMm, settings.cortex_margin_mm) : settings.cortex_margin_mm;
}

std::vector<Message> failedChecks(const Device& device, const ConstructSettings& settings, const std::string& nearest) {
  const DeviceChecks& c = device.checks;
  if (!c.failure.empty()) return {c.failure};
  const List bones = all(device.through);
  std::vector<Message> out;
  if (!c.other_bones.empty())
    out.push_back(Message("fixation.enters_should_not", {{"other_bones", all(c.other_bones)}}));
  for (const std::string& id : c.may_enter)
    out.push_back(Message("fixation.may_enter_passes_nearer_bones_surface", {{"id", id}}));
  if (c.tip_beyond_cortex_mm > 0)
    out.push_back(Message("fixation.tip_stands_out_far_cortex",
                          {{"tip_beyond_cortex", mm(c.tip_beyond_cortex_mm)}, {"through", device.through.back()}}));
  if (c.inside_fraction < 1)
    out.push_back(
        Message("fixation.length_not_wholly_inside",
                {{"inside_fraction", percent(std::max(1.0, 100 * (1 - c.inside_fraction)))}, {"bones", bones}}));
  if (const double margin = marginWanted(device, settings); c.cortex_margin_mm < 0)
    out.push_back(
        Message("fixation.side_stands_out_cortex", {{"cortex_margin", mm(-c.cortex_margin_mm)}, {"bones", bones}}));
  else if (c.cortex_margin_mm < margin)
    out.push_back(Message("fixation.passes_outer_cortex_wanted",
                          {{"cortex_margin", mm(c.cortex_margin_mm)}, {"margin", mm(margin)}}));
  if (c.cortex_margin_mm >= 0 && c.cortex_margin_mm < c.surface_error_mm)
    out.push_back(Message(
        "fixation.outer_cortex_less_surface_may_off",
        {{"cortex_margin", mm(c.cortex_margin_mm)}, {"surface_error", mm(c.surface_error_mm)}, {"bones", bones}}));
  const Value other = nearest.empty() ? Value(Message("fixation.another_device")) : Value(nearest);
  if (c.nearest_device_mm < 0)
    out.push_back(Message(
        "fixation.cuts_into_between_them_wanted",
        {{"nearest_device", mm(-c.nearest_device_mm)}, {"other", other}, {"device_gap", mm(settings.device_gap_mm)}}));
  else if (c.nearest_device_mm < settings.device_gap_mm - kNearToleranceMm)
    out.push_back(Message(
        "fixation.passes_wanted",
        {{"nearest_device", mm(c.nearest_device_mm)}, {"other", other}, {"device_gap", mm(settings.device_gap_mm)}}));
  if (!traits(device.kind).threaded) return out;
  if (c.entry_to_joint_mm < settings.joint_bridge_mm)
    out.push_back(
        Message("fixation.enters_joint_wanted_bridge_bone_may",
                {{"entry_to_joint", mm(c.entry_to_joint_mm)}, {"joint_bridge", mm(settings.joint_bridge_mm, 0)}}));
  if (const double steep = toDegrees(c.angle_to_surface_rad); steep < kShallowDeg)
    out.push_back(Message("fixation.meets_cortex_drill_may_slide_below",
                          {{"steep", inDegrees(steep)}, {"shallow_deg", inDegrees(kShallowDeg)}}));
  if (c.length_in_last_mm < kLeastThreadMm)
    out.push_back(Message("fixation.only_thread_wanted", {{"length_in_last", mm(c.length_in_last_mm)},
                                                          {"through", device.through.back()},
                                                          {"least_thread_mm", mm(kLeastThreadMm, 0)}}));
  if (c.crossing_off_centre_mm > kOffCentreMm)
    out.push_back(
        Message("fixation.crosses_joint_centre_most_wanted",
                {{"crossing_off_centre", mm(c.crossing_off_centre_mm)}, {"off_centre_mm", mm(kOffCentreMm, 0)}}));
  if (c.joint_area_lost_percent > kJointSharePercent)
    out.push_back(
        Message("fixation.takes_joint_face_most_wanted", {{"joint_area_lost", percent(c.joint_area_lost_percent, 1)},
                                                          {"joint_share_percent", percent(kJointSharePercent)}}));
  return out;
}

std::vector<Message> remarksOn(const Device& device, bool hu_known) {
  const DeviceChecks& c = device.checks;
  if (!c.failure.empty() || !traits(device.kind).threaded || !(hu_known || c.mean_hu != 0) || c.mean_hu >= kSoftHu)
    return {};
  return {Message("fixation.soft_bone_along_thread_mean_weak", {{"mean", Quantity{c.mean_hu, Unit::kHu, 0}}})};
}

std::vector<Message> warningsOf(const Device& device, const ConstructSettings& settings, bool hu_known) {
  std::vector<Message> out = failedChecks(device, settings);
  for (Message& text : remarksOn(device, hu_known)) out.push_back(std::move(text));
  return out;
}

}  // namespace rayset
