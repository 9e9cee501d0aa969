// Writes plane radiographs: one valid DICOM object per film (simulated ones, and synthetic ones for tests).
#pragma once

#include <cstdint>
#include <filesystem>
#include <optional>
#include <string>

#include "base/result.h"
#include "dicom/ct_writer.h"
#include "dicom/film_reader.h"
#include "image/film.h"

namespace rayset {

/// Everything written besides the grey values. Texts are UTF-8; names and dates as DICOM writes them.
struct FilmWriteInfo {
  enum class Kind {
    kDigital,      ///< Digital X-Ray Image Storage - For Presentation (PS3.3 A.26)
    kComputed,     ///< Computed Radiography Image Storage (A.2)
    kAngiography,  ///< X-Ray Angiographic Image Storage (A.14), one frame: a C-arm image
  };
  Kind kind = Kind::kDigital;
  std::string patient_name, patient_id, patient_sex, patient_birth_date;
  std::string study_uid, series_uid, instance_uid;  ///< made if empty, from uid_seed and the contents
  std::string study_date, study_description, accession, series_description, series_number = "1";
  int instance_number = 1;
  std::string manufacturer = "Rayset", model = "film writer", body_part = "FOOT";
  std::optional<Side> side;      ///< Image Laterality; unknown: U
  std::optional<FilmView> view;  ///< View Code Sequence, View Position and Patient Orientation
  /// Patient Orientation in the words of DICOM ("R\\P"); empty: that of the view with toes up (dorsal up in the lateral
  /// view), seen from the tube. kDigital needs one or the other.
  std::string patient_orientation;

  /// Not an exposure: written as DERIVED\SECONDARY with Quality Control Image YES, Pixel Intensity of a computed
  /// picture, "SIMULATED" in front of the series description and in Image Comments, and derivation in words.
  bool simulated = false;
  bool lateromedial = false;  ///< the beam of the lateral view runs from lateral, not from medial
  std::string derivation;     ///< e.g. "line integrals through CT, 60 keV"; required if simulated
  std::string comments;

  /// mm at the detector, between columns and between rows; 0: left out (not possible for kDigital).
  double column_mm = 0, row_mm = 0;
  /// Written as Pixel Spacing (at the object) with its Calibration Type; 0: left out.
  double object_column_mm = 0, object_row_mm = 0;
  enum class Calibration { kNone, kGeometry, kFiducial } calibration = Calibration::kNone;
  std::optional<double> source_detector_mm, source_patient_mm;
  std::optional<double> magnification;                           ///< not for kComputed, which has the distances only
  std::optional<double> primary_angle_deg, secondary_angle_deg;  ///< of the positioner (kAngiography)
  double kvp = 0;

  /// Film values mapped to the least and greatest stored value, linearly and clamped; both 0: the film's own range.
  /// The scale is not written: a radiograph's grey values have no unit.
  double value_low = 0, value_high = 0;
  int bits_stored = 16;                           ///< 8 to 16 of 16 allocated
  bool monochrome1 = false;                       ///< stored inverted; not for kAngiography
  std::optional<double> window_low, window_high;  ///< film values shown as black and white; both or neither: all
  CtWriteSettings::Compression compression = CtWriteSettings::Compression::kNone;
  std::uint64_t uid_seed = 1;
};

/// Writes `file` (its folder must exist). The same call writes the same bytes. Fault::kRequest, naming what, for a film
/// or settings that cannot be written; Fault::kInternal if the disk fails: then no file is left.
[[nodiscard]] Status writeFilm(const std::filesystem::path& file, const Film& film, const FilmWriteInfo& info);

}  // namespace rayset
