// Writes a CT series (phantoms): one valid CT Image Storage object per slice (PS3.3 A.3), or one Enhanced CT Image
// (A.38).
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
  bool enhanced = false;  ///< one Enhanced CT multi-frame object instead of one file per slice
  double rescale_slope = 1, rescale_intercept = -1024;
  bool is_signed = false;      ///< Pixel Representation
  int bits_stored = 16;        ///< 12 to 16, of 16 allocated
  std::uint64_t uid_seed = 1;  ///< UIDs are derived from it: the same call writes the same UIDs
};

/// Writes IM0001.dcm ... into `folder` (created if missing), slice k of the grid as number k + 1. `info` supplies
/// patient and series; UIDs left empty are made: study and frame of reference from uid_seed and the patient and study
/// texts (so two series of one study share them), series and instances from everything that is written. HU that slope,
/// intercept and bits cannot represent are clamped (as scanners do). Quality Control Image (0028,0300) is YES: these
/// are not images of a person. The patient's name is expected as DICOM writes it ("Family^Given"). Fault::kRequest for
/// settings or grids that cannot be written, or if `folder` contains other IM files that would mix with the series;
/// Fault::kInternal if the disk fails. After a failure no file from this call remains.
[[nodiscard]] Status writeCt(const std::filesystem::path& folder, const CtVolume& volume, const ScanInfo& info,
                             const CtWriteSettings& settings = {});

}  // namespace rayset
