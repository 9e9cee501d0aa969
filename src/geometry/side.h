// The sides of the body in words.
#pragma once

#include <optional>
#include <string>
#include <string_view>

#include "base/message.h"
#include "geometry/types.h"

namespace rayset {

/// "right", for people.
[[nodiscard]] inline Message nameOf(Side side) { return side == Side::kRight ? "side.right" : "side.left"; }
/// In files.
[[nodiscard]] inline std::string sideWord(Side side) { return side == Side::kRight ? "right" : "left"; }
[[nodiscard]] constexpr Side opposite(Side side) { return side == Side::kRight ? Side::kLeft : Side::kRight; }
/// nullopt: neither "right" nor "left".
[[nodiscard]] inline std::optional<Side> sideFrom(std::string_view word) {
  if (word == sideWord(Side::kRight)) return Side::kRight;
  if (word == sideWord(Side::kLeft)) return Side::kLeft;
  return std::nullopt;
}

}  // namespace rayset
