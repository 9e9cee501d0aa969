// Counter-based random numbers: the value depends on the counter alone, so any thread may make it.
#pragma once

#include <array>
#include <cmath>
#include <cstdint>

namespace rayset {

/// The splitmix64 finaliser (Steele, Lea, Flood 2014).
[[nodiscard]] inline std::uint64_t counterHash(std::uint64_t x) {
  x += 0x9E3779B97F4A7C15ULL;
  x = (x ^ (x >> 30)) * 0xBF58476D1CE4E5B9ULL;
  x = (x ^ (x >> 27)) * 0x94D049BB133111EBULL;
  return x ^ (x >> 31);
}

/// Two independent standard normal numbers from one counter (Box and Muller 1958).
[[nodiscard]] inline std::array<float, 2> normalPair(std::uint64_t counter) {
  const std::uint64_t bits = counterHash(counter);
  const float u = (static_cast<float>(bits >> 40) + 0.5F) * 0x1p-24F;
  const float v = static_cast<float>((bits >> 8) & 0xFFFFFF) * 0x1p-24F;
  const float radius = std::sqrt(-2 * std::log(u));
  const float angle = v * 6.283185307F;
  return {radius * std::cos(angle), radius * std::sin(angle)};
}

}  // namespace rayset
