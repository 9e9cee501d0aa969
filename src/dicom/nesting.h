// Checks how deeply the sequences of a DICOM file are nested, before a recursive parser is let loose on it.
#pragma once

#include <cstdint>
#include <filesystem>

#include "base/message.h"

namespace rayset::dicom {

inline constexpr int kDeepestNesting = 64;  ///< ours; real objects stay below 10

/// Most that a deflated data set may grow to: so many times the size of its file, and always kAlwaysInflatedBytes.
/// Deflate packs a scan to a third; a thousandfold is a trap.
inline constexpr std::uint64_t kMostInflated = 64, kAlwaysInflatedBytes = std::uint64_t{64} << 20U;

enum class Structure {
  kSound,    ///< or not understood, which the parser says better
  kTooDeep,  ///< sequences nested more than kDeepestNesting deep: DCMTK 3.6.7 follows them recursively and runs out of
             ///< stack at a few thousand
  kSwollen,  ///< a deflated data set that grows beyond what is said above
};
/// Walks the elements (PS3.5 7.1 to 7.5) without recursion, past the Pixel Data and within deflated data sets too, and
/// stops at anything it does not understand.
[[nodiscard]] Structure structureOf(const std::filesystem::path& path);
/// What is wrong, for people; empty if sound.
[[nodiscard]] Message faultOf(Structure structure);

}  // namespace rayset::dicom
