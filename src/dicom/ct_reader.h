// Reading CT: a folder of files in, one volume in HU and what a plan must know about it out.
//
// How: the headers of all files are read (never trusting names or numbers), CT frames are grouped by Series Instance
// UID, then by matrix, pixel spacing, orientation and, where two acquisitions share the places, by acquisition, kernel
// or phase. Each group is one stack, sorted by Image Position (Patient) along the normal (PS3.3 C.7.6.2.1.1); the
// pixels are read only for the stack that is used. Dropped or repaired and told in `cautions`: repeated slices, a few
// missing slices, mildly uneven spacing, gantry tilt, padding, foreign files. Everything else that would bend or invent
// bone is an error. The limits are in stack.h.
#pragma once

#include <filesystem>
#include <string>
#include <vector>

#include "base/progress.h"
#include "base/result.h"
#include "image/volume.h"

namespace rayset {

struct ScanInfo {
  /// Decoded to UTF-8. The name as DICOM writes it ("Family^Given^Middle^Prefix^Suffix"), dates as YYYYMMDD.
  std::string patient_name, patient_id, patient_sex, patient_birth_date;
  std::string study_uid, study_date, study_description, accession;
  std::string series_uid, series_description, series_number, frame_of_reference_uid;
  std::string manufacturer, model, kernel, body_part, laterality, patient_position;
  double kvp = 0;
  std::size_t files = 0;  ///< that the volume was read from
};

struct CtScan {
  CtVolume volume;  ///< HU; tilted gantry resampled upright
  ScanInfo info;
  std::vector<std::string> cautions;  ///< what was handled and should be known (gap filled, series chosen, tilt...)
};

struct ReadSettings {
  /// UID, number or description of the series to use ("4", "Foot bone", with "/part" where a series holds several
  /// stacks as listed in `cautions`); empty: the thinnest bone series.
  std::string series;
};

/// Searches `folder` (a folder, recursively, or one multi-frame file). Accepts classic and enhanced multi-frame CT,
/// uncompressed, RLE, JPEG lossless and JPEG-LS. Fault::kRequest for a path that does not exist or an unknown --series;
/// Fault::kImages, naming file and attribute, for what cannot be planned from.
[[nodiscard]] Result<CtScan> readCt(const std::filesystem::path& folder, const ReadSettings& settings = {},
                                    const Progress& progress = {});

}  // namespace rayset
