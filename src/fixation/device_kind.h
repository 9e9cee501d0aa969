// The kinds of devices and their stages. Start here to add a kind.
#pragma once

#include <array>
#include <string_view>

namespace rayset {

enum class DeviceKind { kScrew, kWire };

/// What follows from the kind alone.
struct DeviceTraits {
  std::string_view word;       ///< in files and on screen
  bool threaded = false;       ///< holds by its thread: purchase is computed, the hole is drilled and measured
  bool headed = false;         ///< has a head that is countersunk; else its end protrudes from the bone
  bool cut_to_length = false;  ///< any length; else only catalogue lengths
};
[[nodiscard]] constexpr DeviceTraits traits(DeviceKind kind) {
  switch (kind) {
    case DeviceKind::kScrew:
      return {.word = "screw", .threaded = true, .headed = true};
    case DeviceKind::kWire:
      return {.word = "wire", .cut_to_length = true};
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
