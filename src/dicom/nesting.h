// A look at how deep the sequences of a DICOM file are nested, before a parser that recurses is let loose on it.
#pragma once

#include <filesystem>

namespace rayset::dicom {

inline constexpr int kDeepestNesting = 64;  ///< ours; real objects stay below 10

/// True where sequences lie in sequences more than kDeepestNesting deep, before the Pixel Data: DCMTK 3.6.7 follows
/// them by recursion and runs out of stack at some thousands. Walks the elements (PS3.5 7.1 to 7.5) without recursion
/// and stops, with false, at what it does not understand. The content of deflated data sets is not looked at.
[[nodiscard]] bool nestedTooDeep(const std::filesystem::path& path);

}  // namespace rayset::dicom
