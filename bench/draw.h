// Random draws of feet, injuries and scenes, the same with every standard library.
#pragma once

#include <algorithm>
#include <cmath>
#include <numbers>
#include <random>

namespace rayset::bench {

/// Evenly in [0, 1).
[[nodiscard]] inline double uniform(std::mt19937_64& g) { return static_cast<double>(g() >> 11) * 0x1.0p-53; }
/// Standard normal (Box and Muller 1958), from two draws.
[[nodiscard]] inline double normal(std::mt19937_64& g) {
  const double u = std::max(1e-12, uniform(g)), v = uniform(g);
  return std::sqrt(-2 * std::log(u)) * std::cos(2 * std::numbers::pi * v);
}

}  // namespace rayset::bench
