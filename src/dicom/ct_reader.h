// Reads CT: from a folder of files to one volume in HU and what a plan needs to know about it.
//
// Method: the headers of all files are read (never trusting names or numbers) and CT frames are grouped by Series
// Instance UID, then by matrix, pixel spacing, orientation and, if two acquisitions share positions, by acquisition,
// kernel or phase. Each group is one stack, sorted by Image Position (Patient) along the normal (PS3.3 C.7.6.2.1.1);
// pixels are read only for the stack used. Repeated slices, a few missing slices, mildly uneven spacing, gantry tilt,
// padding and foreign files are dropped or repaired and reported in `cautions`. Anything else that would distort or
// invent bone is an error. The limits are in stack.h.
#pragma once

#include <filesystem>
#include <string>
#include <vector>

#include "base/message.h"
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
  std::size_t files = 0;  ///< read into the volume
};

struct CtScan {
  CtVolume volume;  ///< HU; tilted gantry resampled upright
  ScanInfo info;
  std::vector<Message> cautions;  ///< handled, but worth knowing (gap filled, series chosen, tilt...)
};

struct ReadSettings {
  /// UID, number or description of the series to use ("4", "Foot bone", with "/part" if a series contains several
  /// stacks, as listed in `cautions`); empty: the thinnest bone series.
  std::string series;
};

/// Searches `folder` (a folder, recursively, or one multi-frame file). Accepts classic and enhanced multi-frame CT,
/// uncompressed, RLE, JPEG lossless and JPEG-LS. Fault::kRequest for a path that does not exist or an unknown --series;
/// Fault::kImages, naming file and attribute, for images unsuitable for planning.
[[nodiscard]] Result<CtScan> readCt(const std::filesystem::path& folder, const ReadSettings& settings = {},
                                    const Progress& progress = {});

}  // namespace rayset
