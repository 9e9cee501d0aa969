// Writing a CT series (phantoms): one valid CT Image Storage object a slice.
#pragma once

#include <cstdint>
#include <filesystem>
#include <string>

#include "base/result.h"
#include "dicom/ct_reader.h"
#include "image/volume.h"

namespace rayset {

struct CtWriteSettings {
  enum class Compression { kNone, kRle, kJpegLossless, kJpegLs };
  Compression compression = Compression::kNone;
  bool enhanced = false;        ///< one Enhanced CT multi-frame object instead of one file a slice
  double rescale_slope = 1, rescale_intercept = -1024;
  bool is_signed = false;       ///< Pixel Representation
  std::uint64_t uid_seed = 1;   ///< UIDs are derived from it: the same call writes the same UIDs
};

/// Writes IM0001.dcm ... into `folder` (made if missing). `info` supplies patient and series; UIDs left empty are made.
[[nodiscard]] Status writeCt(const std::filesystem::path& folder, const CtVolume& volume, const ScanInfo& info,
                             const CtWriteSettings& settings = {});

}  // namespace rayset
