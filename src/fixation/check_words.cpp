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

std::vector<std::string> failedChecks(const Device& device, const ConstructSettings& settings,
                                      const std::string& nearest) {
  const DeviceChecks& c = device.checks;
  if (!c.failure.empty()) return {c.failure};
  const std::string bones = listed(device.through);
  std::vector<std::string> out;
  if (!c.other_bones.empty())
    out.push_back(fmt::format("enters {}, which it should not", fmt::join(c.other_bones, ", ")));
  for (const std::string& id : c.may_enter)
    out.push_back(fmt::format("may enter {}: it passes nearer than that bone's surface may be off", id));
  if (c.tip_beyond_cortex_mm > 0)
    out.push_back(fmt::format("the tip stands {:.1f} mm out of the far cortex of {}", c.tip_beyond_cortex_mm,
                              device.through.back()));
  if (c.inside_fraction < 1)
    out.push_back(fmt::format("{:.0f} % of its length is not wholly inside {}",
                              std::max(1.0, 100 * (1 - c.inside_fraction)), bones));
  if (const double margin = marginWanted(device, settings); c.cortex_margin_mm < 0)
    out.push_back(fmt::format("its side stands {:.1f} mm out of the cortex of {}", -c.cortex_margin_mm, bones));
  else if (c.cortex_margin_mm < margin)
    out.push_back(
        fmt::format("passes {:.1f} mm from the outer cortex: {:.1f} mm is wanted", c.cortex_margin_mm, margin));
  if (c.cortex_margin_mm >= 0 && c.cortex_margin_mm < c.surface_error_mm)
    out.push_back(
        fmt::format("the {:.1f} mm to the outer cortex are less than the {:.1f} mm that the surface of {} may "
                    "be off",
                    c.cortex_margin_mm, c.surface_error_mm, bones));
  const std::string& other = nearest.empty() ? std::string("another device") : nearest;
  if (c.nearest_device_mm < 0)
    out.push_back(fmt::format("cuts {:.1f} mm into {}: {:.1f} mm between them is wanted", -c.nearest_device_mm, other,
                              settings.device_gap_mm));
  else if (c.nearest_device_mm < settings.device_gap_mm - kNearToleranceMm)
    out.push_back(fmt::format("passes {:.1f} mm from {}: {:.1f} mm is wanted", c.nearest_device_mm, other,
                              settings.device_gap_mm));
  if (!traits(device.kind).threaded) return out;
  if (c.entry_to_joint_mm < settings.joint_bridge_mm)
    out.push_back(fmt::format("enters {:.1f} mm from the joint: {:.0f} mm is wanted, or the bridge of bone may break",
                              c.entry_to_joint_mm, settings.joint_bridge_mm));
  if (const double steep = toDegrees(c.angle_to_surface_rad); steep < kShallowDeg)
    out.push_back(fmt::format("meets the cortex at {:.0f}°: the drill may slide below {:.0f}°, start it steeper", steep,
                              kShallowDeg));
  if (c.length_in_last_mm < kLeastThreadMm)
    out.push_back(fmt::format("only {:.1f} mm of thread in {}: {:.0f} mm is wanted", c.length_in_last_mm,
                              device.through.back(), kLeastThreadMm));
  if (c.crossing_off_centre_mm > kOffCentreMm)
    out.push_back(fmt::format("crosses the joint {:.1f} mm from its centre: at most {:.0f} mm is wanted",
                              c.crossing_off_centre_mm, kOffCentreMm));
  if (c.joint_area_lost_percent > kJointSharePercent)
    out.push_back(fmt::format("takes {:.1f} % of the joint face: at most {:.0f} % is wanted", c.joint_area_lost_percent,
                              kJointSharePercent));
  return out;
}

std::vector<std::string> remarksOn(const Device& device, bool hu_known) {
  const DeviceChecks& c = device.checks;
  if (!c.failure.empty() || !traits(device.kind).threaded || !(hu_known || c.mean_hu != 0) || c.mean_hu >= kSoftHu)
    return {};
  return {fmt::format("soft bone along the thread (mean {:.0f} HU): weak hold, tighten by hand with two fingers",
                      c.mean_hu)};
}

std::vector<std::string> warningsOf(const Device& device, const ConstructSettings& settings, bool hu_known) {
  std::vector<std::string> out = failedChecks(device, settings);
  for (std::string& text : remarksOn(device, hu_known)) out.push_back(std::move(text));
  return out;
}

}  // namespace rayset
