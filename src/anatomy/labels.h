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

/// Where a scan shows several feet, each has a range of values of its own, this many apart.
inline constexpr int kLabelsOfFoot = 32;
/// The value that stands for `label` of foot number `foot`.
[[nodiscard]] constexpr std::uint8_t labelInScan(std::uint8_t label, std::size_t foot) {
  return static_cast<std::uint8_t>(label + kLabelsOfFoot * static_cast<int>(foot));
}
/// The label that `value` stands for; 0 if it is not of foot number `foot`.
[[nodiscard]] constexpr std::uint8_t labelOfFoot(std::uint8_t value, std::size_t foot) {
  const int label = value - kLabelsOfFoot * static_cast<int>(foot);
  return label > 0 && label < kLabelsOfFoot ? static_cast<std::uint8_t>(label) : std::uint8_t{0};
}

}  // namespace rayset
