// The values of labels.nrrd (plan contract): bones, fragments, and several feet in one scan.
#pragma once

#include <cstdint>
#include <string>

#include "anatomy/bones.h"

namespace rayset {

/// Fragments of the second metatarsal follow the bones: 17 for "M2.1", 18 for "M2.2"...
inline constexpr std::uint8_t kFirstFragmentLabel = label(Bone::kSesamoids) + 1;
[[nodiscard]] inline std::uint8_t fragmentLabel(const std::string& id) {
  return static_cast<std::uint8_t>(kFirstFragmentLabel - 1 + std::stoi(id.substr(id.find('.') + 1)));
}
[[nodiscard]] inline std::string fragmentId(int label) {
  return "M2." + std::to_string(label - kFirstFragmentLabel + 1);
}

/// If a scan shows several feet, each has its own range of values, this many apart.
inline constexpr int kLabelsOfFoot = 32;
/// The value of `label` in foot number `foot`.
[[nodiscard]] constexpr std::uint8_t labelInScan(std::uint8_t label, std::size_t foot) {
  return static_cast<std::uint8_t>(label + kLabelsOfFoot * static_cast<int>(foot));
}
/// The label of `value`; 0 if it does not belong to foot number `foot`.
[[nodiscard]] constexpr std::uint8_t labelOfFoot(std::uint8_t value, std::size_t foot) {
  const int label = value - kLabelsOfFoot * static_cast<int>(foot);
  return label > 0 && label < kLabelsOfFoot ? static_cast<std::uint8_t>(label) : std::uint8_t{0};
}

}  // namespace rayset
