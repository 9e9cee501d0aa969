// The kinds of devices and their stages. To add a kind: its name here, and src/fixation/device_kinds/NAME.cpp, which
// holds everything else about it (fixation/device_model.h).
#pragma once

#include <array>
#include <string_view>

namespace rayset {

enum class DeviceKind { kScrew, kWire };
inline constexpr std::array<DeviceKind, 2> kDeviceKinds{DeviceKind::kScrew, DeviceKind::kWire};

/// What becomes of a definitive device.
enum class DeviceFate { kStays, kComesOut };

/// Everything that depends on the kind but its shape and its path: no other code checks which kind a device is.
struct DeviceTraits {
  std::string_view word;       ///< in files
  std::string_view words;      ///< plural, as in the follow-up's rules
  bool threaded = false;       ///< holds by its thread: purchase is computed, the hole is drilled and measured
  bool headed = false;         ///< has a head that is countersunk
  bool cut_to_length = false;  ///< any length; else only catalogue lengths
  double stub_mm = 0;          ///< protrudes from the bone by this much while in place
  double driver_mm = 0;        ///< radius of its driver, outside the bone (design choice)
  DeviceFate fate = DeviceFate::kStays;
  std::string_view mark;  ///< its sign on the page: an SVG path in a square of 16
  bool mark_filled = true;
};
[[nodiscard]] const DeviceTraits& traits(DeviceKind kind);

enum class DeviceStage {
  kTemporary,   ///< holds the reduction until the definitive devices are in
  kDefinitive,  ///< stays in
};
inline constexpr std::array<DeviceStage, 2> kDeviceStages{DeviceStage::kTemporary, DeviceStage::kDefinitive};
[[nodiscard]] constexpr std::string_view word(DeviceStage stage) {
  return stage == DeviceStage::kTemporary ? "temporary" : "definitive";
}

}  // namespace rayset
