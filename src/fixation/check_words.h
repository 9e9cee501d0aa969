// A device's checks in words.
#pragma once

#include <string>
#include <vector>

#include "base/message.h"
#include "fixation/construct.h"

namespace rayset {

/// Requirements for any screw (common practice, memory-medium): below this angle to the cortex a drill may skid, and
/// less thread than this in the tarsal bone holds poorly.
inline constexpr double kShallowDeg = 20, kLeastThreadMm = 12;

/// Wanted distance between the device's side and the outer cortex, mm; smaller for wires in a fragment, which is thin.
[[nodiscard]] double marginWanted(const Device& device, const ConstructSettings& settings);

/// Those of `device.checks` that are not met, most important first: "passes 0.6 mm from the outer cortex: 0.8 mm is
/// wanted". Empty if all are met. `nearest`: id of the device that checks.nearest_device_mm is measured to, if known.
[[nodiscard]] std::vector<Message> failedChecks(const Device& device, const ConstructSettings& settings,
                                                const std::string& nearest = {});

/// Remarks worth making even if no check fails. `hu_known`: checks.mean_hu was read from an image.
[[nodiscard]] std::vector<Message> remarksOn(const Device& device, bool hu_known);

/// Both, failed checks first: Device::warnings.
[[nodiscard]] std::vector<Message> warningsOf(const Device& device, const ConstructSettings& settings, bool hu_known);

}  // namespace rayset
