// Stored values of frames, and their conversion to Hounsfield units, in parallel.
#pragma once

#include <span>
#include <string>
#include <vector>

#include "base/progress.h"
#include "base/result.h"
#include "dicom/header.h"

namespace rayset::dicom {

/// Where one frame's values go: `out` has room for rows * columns values.
struct FrameJob {
  const FrameHeader* frame = nullptr;
  std::int16_t* out = nullptr;
};

struct DecodeStats {
  std::size_t padding_voxels = 0;  ///< set to air because of Pixel Padding Value
  double padding_hu = 0;           ///< the highest HU such a value would have meant
};

/// Decodes the frames (decompressing where needed) to HU = slope * stored + intercept, rounded, clamped to [-1024,
/// 32767]; padding becomes air. Files are read in parallel; the result does not depend on the number of threads.
/// Fault::kImages, naming the file, if pixel data are missing, cut short or cannot be decompressed.
[[nodiscard]] Result<DecodeStats> decodeFrames(const std::vector<ScanFile>& files, std::span<const FrameJob> jobs,
                                               const Progress& progress);

/// The stored values of one frame (0-based), row by row, sign extended as Pixel Representation says, padding and all.
/// Only path, name and pixels of `file` are used. Errors as above.
[[nodiscard]] Result<std::vector<int>> decodeStored(const ScanFile& file, int frame);

/// The conversion of one frame's stored words (8 or 16 bits each, as bits_allocated says). Exposed for tests.
void storedToHu(const void* stored, const PixelFormat& format, double slope, double intercept, std::int16_t* out,
                DecodeStats& stats);

}  // namespace rayset::dicom
