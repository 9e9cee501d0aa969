// The checks of a device in words, for people.
#pragma once

#include <string>
#include <vector>

#include "fixation/construct.h"

namespace rayset {

/// What is wanted of a screw, whoever asks (common practice, memory-medium): below this angle to the cortex a drill may
/// slide, less thread than this in the tarsal bone holds poorly.
inline constexpr double kShallowDeg = 20, kLeastThreadMm = 12;

/// Distance wanted between the device's side and the outer cortex, mm: less for the wires of a fragment, which is thin.
[[nodiscard]] double marginWanted(const Device& device, const ConstructSettings& settings);

/// What is not as one would want it of `device.checks`, most telling first: "passes 0.6 mm from the outer cortex: 0.8
/// mm is wanted". Empty: every check is met. `nearest`: id of the device that checks.nearest_device_mm is measured to,
/// where it is known.
[[nodiscard]] std::vector<std::string> failedChecks(const Device& device, const ConstructSettings& settings,
                                                    const std::string& nearest = {});

/// What is worth knowing though no check fails. `hu_known`: checks.mean_hu was read from an image.
[[nodiscard]] std::vector<std::string> remarksOn(const Device& device, bool hu_known);

/// Both, failed checks first: Device::warnings.
[[nodiscard]] std::vector<std::string> warningsOf(const Device& device, const ConstructSettings& settings,
                                                  bool hu_known);

}  // namespace rayset
