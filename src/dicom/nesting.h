// Checks how deeply the sequences of a DICOM file are nested, before a recursive parser is let loose on it.
#pragma once

#include <filesystem>

namespace rayset::dicom {

inline constexpr int kDeepestNesting = 64;  ///< ours; real objects stay below 10

/// True if sequences are nested more than kDeepestNesting deep before the Pixel Data: DCMTK 3.6.7 follows them
/// recursively and runs out of stack at a few thousand. Walks the elements (PS3.5 7.1 to 7.5) without recursion and
/// stops, returning false, at anything it does not understand. The content of deflated data sets is not examined.
[[nodiscard]] bool nestedTooDeep(const std::filesystem::path& path);

}  // namespace rayset::dicom
