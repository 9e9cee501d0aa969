// FNV-1a, 64 bits (Fowler, Noll, Vo; draft-eastlake-fnv): names for texts and seeds from them. Not for security.
#pragma once

#include <cstdint>
#include <string_view>

namespace rayset {

inline constexpr std::uint64_t kFnvOffsetBasis = 14695981039346656037ULL;

/// Goes on from `hash`, so that texts can be hashed one after another.
[[nodiscard]] constexpr std::uint64_t fnv1a(std::string_view text, std::uint64_t hash = kFnvOffsetBasis) {
  constexpr std::uint64_t kPrime = 1099511628211ULL;
  for (const char c : text) hash = (hash ^ static_cast<unsigned char>(c)) * kPrime;
  return hash;
}

}  // namespace rayset
