// Reads plane radiographs: from one DICOM file to a film with bone bright and what needs to be known about it.
//
// Accepted: Digital X-Ray (for presentation and for processing; PS3.3 A.26, C.8.11), Computed Radiography (A.2, C.8.1),
// X-Ray Radiofluoroscopic and X-Ray Angiographic (A.16, A.14, C.8.7; one frame), and, with a caution, Secondary Capture
// declared to be a radiograph. Anything else is an error that says what it is.
//
// Grey values are those after the Modality LUT or Rescale (C.11.1), inverted if bone would be dark, BEFORE the VOI
// window or LUT: a window clips and a VOI LUT bends the profile of an edge, and edges are what we measure. The window
// or LUT is kept in FilmInfo::tone for showing the film as its maker intended (displayed()).
//
// Lengths: see FilmSpacing. Sources: PS3.3 10.7.1.1 (Pixel Spacing), 10.7.1.3 (Pixel Spacing Calibration Type),
// C.8.11.4 (Imager Pixel Spacing), C.8.7.5 (distances and magnification), C.8.6.2 (Nominal Scanned Pixel Spacing).
#pragma once

#include <array>
#include <filesystem>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "base/message.h"
#include "base/result.h"
#include "geometry/types.h"
#include "image/film.h"

namespace rayset {

enum class FilmKind { kDigital, kDigitalRaw, kComputed, kFluoroscopy, kAngiography, kSecondaryCapture };
/// "digital X-ray image", "computed radiograph"...
[[nodiscard]] Message nameOf(FilmKind kind);

/// The three views of the foot that measures are defined on.
enum class FilmView { kDorsoplantar, kOblique, kLateral };
inline constexpr std::array<FilmView, 3> kFilmViews{FilmView::kDorsoplantar, FilmView::kOblique, FilmView::kLateral};
/// "dorsoplantar", "oblique", "lateral".
[[nodiscard]] std::string_view wordOf(FilmView view);
[[nodiscard]] std::optional<FilmView> filmViewFromWord(std::string_view word);

/// How large a pixel is, and in which plane that holds.
struct FilmSpacing {
  enum class Origin {
    kNone,           ///< not stated: no lengths
    kFiducial,       ///< Pixel Spacing, calibrated at the object with an object of known size
    kGeometry,       ///< Pixel Spacing, calibrated at the object from the distances of the exposure
    kCalibrated,     ///< Pixel Spacing differs from Imager Pixel Spacing: corrected, but not stated how
    kMagnification,  ///< Imager Pixel Spacing divided by the magnification given in the file
    kDetector,       ///< Imager Pixel Spacing, at the detector: lengths come out too large
    kScanned,        ///< Nominal Scanned Pixel Spacing of a scanned sheet: lengths come out too large
    kUnstated,       ///< Pixel Spacing alone, which may be at the detector or at the object
    kByHand          ///< calibrated by the user (a ball, a known length)
  };
  Origin origin = Origin::kNone;
  double column_mm = 0;    ///< between columns (along a row)
  double row_mm = 0;       ///< between rows
  double relative_95 = 0;  ///< half width of the 95 % interval of the scale, as a fraction (ours: film_reader.cpp)
  bool too_large = false;  ///< magnification is not corrected: true lengths are up to about 6 % smaller
  Message text;            ///< where it comes from, in words with the attribute

  [[nodiscard]] bool known() const { return origin != Origin::kNone; }
};
/// M = SID / (SID - OID) for a source distance of 1016 mm and a joint 30 and 60 mm in front of the detector.
inline constexpr double kLeastMagnification = 1.030, kMostMagnification = 1.063;

/// The part of the picture that was exposed: columns [left, right), rows [top, bottom).
struct FilmField {
  enum class Origin { kWhole, kHeader, kFound } origin = Origin::kWhole;
  int left = 0, top = 0, right = 0, bottom = 0;
  [[nodiscard]] bool contains(double column, double row) const {
    return column >= left - 0.5 && column <= right - 0.5 && row >= top - 0.5 && row <= bottom - 0.5;
  }
};

/// How the maker intends the film to be shown (VOI LUT, C.11.2), in the units of the Modality LUT's output.
struct FilmTone {
  bool has_window = false;
  double centre = 0, width = 1;
  enum class Curve { kLinear, kLinearExact, kSigmoid } curve = Curve::kLinear;
  std::vector<float> lut;  ///< 0 to 1; the first entry corresponds to lut_first
  double lut_first = 0;
  bool turned = false;  ///< film value = pivot - modality value
  double pivot = 0;
};

struct FilmInfo {
  std::string file;  ///< name as in messages
  FilmKind kind = FilmKind::kDigital;
  /// Decoded to UTF-8; name and dates as DICOM writes them.
  std::string patient_name, patient_id, patient_sex, patient_birth_date;
  std::string study_uid, study_date, study_description, accession;
  std::string series_uid, series_description, series_number, instance_uid, content_date;
  std::string manufacturer, model, body_part, view_position, patient_orientation, view_code_meaning, protocol;
  std::string derivation, comments;
  int frame = 1, frames = 1;           ///< 1-based
  std::optional<Side> side;            ///< Image Laterality or Laterality; also nullopt if both feet are stated
  bool both_sides = false;             ///< laterality B
  std::optional<FilmView> view;        ///< read from view code, View Position or descriptions
  std::string view_from;               ///< the attribute and text it was read from
  bool lateromedial = false;           ///< of a lateral view: the same text says that the beam ran from lateral
  std::optional<bool> weight_bearing;  ///< read from descriptions
  std::string weight_bearing_from;
  std::optional<double> source_detector_mm, source_patient_mm, magnification;
  std::optional<double> primary_angle_deg, secondary_angle_deg;  ///< of the positioner (C.8.7.5)
  double kvp = 0;
  bool lossy = false;
  bool quality_control = false;  ///< Quality Control Image (0028,0300): not an image of a person
  FilmSpacing spacing;
  double aspect = 1;  ///< row_mm / column_mm; from Pixel Aspect Ratio if there is no spacing
  FilmField field;
  double clipped_bright = 0;  ///< share of the exposed, non-background pixels at the highest possible value
  FilmTone tone;
};

struct FilmScan {
  Film film;
  FilmInfo info;
  std::vector<Message> cautions;  ///< complete sentences, without the file's name
};

struct FilmReadSettings {
  int frame = 0;  ///< 1-based; 0: the first, with a caution if there are more
};

/// Reads one file. Fault::kRequest for a missing file or frame; Fault::kImages, naming file and attribute, for anything
/// that is not a usable radiograph (colour, CT, blank, damaged...).
[[nodiscard]] Result<FilmScan> readFilm(const std::filesystem::path& file, const FilmReadSettings& settings = {});

/// The film as its maker intended, 0 (black) to 1 (white): through the VOI LUT or window if there is one, else
/// stretched between the 0.5 and 99.5 percentiles inside the field.
[[nodiscard]] Film displayed(const Film& film, const FilmInfo& info);

/// Looks for collimator edges burnt into the picture: bands of constant value along the borders, ending in a straight
/// edge at which nearly the whole line jumps at once. Edges not parallel to the borders are not found.
[[nodiscard]] FilmField findField(const Film& film);

}  // namespace rayset
