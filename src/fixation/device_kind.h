// The kinds of devices and their stages. Start here to add a kind.
#pragma once

#include <array>
#include <string_view>

namespace rayset {

enum class DeviceKind { kScrew, kWire };

/// Length of wire drawn outside the bone, mm; it is kept clear of screw heads and of the drill's sleeve.
inline constexpr double kWireStubMm = 20;

/// Everything that depends on the kind: no other code checks which kind a device is.
struct DeviceTraits {
  std::string_view word;       ///< in files and on screen
  std::string_view words;      ///< plural, as in the follow-up's rules
  bool threaded = false;       ///< holds by its thread: purchase is computed, the hole is drilled and measured
  bool headed = false;         ///< has a head that is countersunk
  bool cut_to_length = false;  ///< any length; else only catalogue lengths
  double stub_mm = 0;          ///< protrudes from the bone by this much while in place
  double driver_mm = 0;        ///< radius of its driver, outside the bone (design choice)
};
[[nodiscard]] constexpr DeviceTraits traits(DeviceKind kind) {
  switch (kind) {
    case DeviceKind::kScrew:
      return {.word = "screw", .words = "screws", .threaded = true, .headed = true, .driver_mm = 3.5};
    case DeviceKind::kWire:
      return {.word = "wire", .words = "wires", .cut_to_length = true, .stub_mm = kWireStubMm, .driver_mm = 1.5};
  }
  return {};
}
inline constexpr std::array<DeviceKind, 2> kDeviceKinds{DeviceKind::kScrew, DeviceKind::kWire};

enum class DeviceStage {
  kTemporary,   ///< holds the reduction until the definitive devices are in
  kDefinitive,  ///< stays in
};
inline constexpr std::array<DeviceStage, 2> kDeviceStages{DeviceStage::kTemporary, DeviceStage::kDefinitive};
[[nodiscard]] constexpr std::string_view word(DeviceStage stage) {
  return stage == DeviceStage::kTemporary ? "temporary" : "definitive";
}

}  // namespace rayset
