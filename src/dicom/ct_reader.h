// Reading CT: a folder of files in, one volume in HU and what a plan must know about it out.
#pragma once

#include <filesystem>
#include <string>
#include <vector>

#include "base/progress.h"
#include "base/result.h"
#include "image/volume.h"

namespace rayset {

struct ScanInfo {
  std::string patient_name, patient_id, patient_sex, patient_birth_date;  ///< decoded to UTF-8
  std::string study_uid, study_date, study_description, accession;
  std::string series_uid, series_description, series_number, frame_of_reference_uid;
  std::string manufacturer, model, kernel, body_part, laterality, patient_position;
  double kvp = 0;
  std::size_t files = 0;
};

struct CtScan {
  CtVolume volume;  ///< HU; tilted gantry resampled upright
  ScanInfo info;
  std::vector<std::string> cautions;  ///< what was handled and should be known (gap filled, series chosen, tilt...)
};

struct ReadSettings {
  std::string series;  ///< UID, number or description of the series to use; empty: the thinnest bone series
};

/// Searches `folder` (a folder, recursively, or one multi-frame file). Accepts classic and enhanced multi-frame CT,
/// uncompressed, RLE, JPEG lossless and JPEG-LS. Fault::kRequest for a path that does not exist or an unknown --series;
/// Fault::kImages, naming file and attribute, for what cannot be planned from.
[[nodiscard]] Result<CtScan> readCt(const std::filesystem::path& folder, const ReadSettings& settings = {},
                                    const Progress& progress = {});

}  // namespace rayset
