#include "dicom/film_writer.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <vector>

#include "dicom/dcmtk_setup.h"
#include "dicom/text.h"
#include "dicom/uid.h"
#include "dicom/writing.h"

namespace rayset {
namespace {

namespace fs = std::filesystem;
using namespace dicom;
using Kind = FilmWriteInfo::Kind;

struct Scale {
  double low = 0, high = 1;
  int top = 65535;
  [[nodiscard]] double stored(double value, bool turned) const {
    const double v = std::clamp((value - low) / (high - low), 0.0, 1.0) * top;
    return turned ? top - v : v;
  }
};

/// Seen from the tube with toes (lateral: dorsal) up; directions of the standing foot (PS3.17 A).
std::string orientationOf(const FilmWriteInfo& i) {
  if (!i.patient_orientation.empty()) return i.patient_orientation;
  if (!i.view) return "";
  if (*i.view != FilmView::kLateral) return "R\\P";
  if (!i.side) return "";
  return (*i.side == Side::kRight) != i.lateromedial ? "P\\F" : "A\\F";
}

void putView(Writer& w, FilmView view, bool lateromedial) {
  // CID 4010 DX View.
  switch (view) {
    case FilmView::kDorsoplantar:
      w.text(DCM_ViewPosition, "AP").code(DCM_ViewCodeSequence, "399335002", "SCT", "dorsoplantar");
      break;
    case FilmView::kOblique:
      w.code(DCM_ViewCodeSequence, "260426006", "SCT", "medial oblique");
      break;
    case FilmView::kLateral:
      if (lateromedial)
        w.code(DCM_ViewCodeSequence, "399352003", "SCT", "lateral-medial");
      else
        w.code(DCM_ViewCodeSequence, "399260004", "SCT", "medial-lateral");
      break;
  }
}

void putCommon(Writer& w, const Film& film, const FilmWriteInfo& i, const char* sop_class) {
  w.text(DCM_SpecificCharacterSet, "ISO_IR 192");
  w.text(DCM_SOPClassUID, sop_class).text(DCM_SOPInstanceUID, i.instance_uid);
  w.text(DCM_PatientName, cut(i.patient_name, 64)).text(DCM_PatientID, cut(i.patient_id, 64));
  w.text(DCM_PatientBirthDate, date(i.patient_birth_date));
  w.text(DCM_PatientSex, i.patient_sex == "M" || i.patient_sex == "F" || i.patient_sex == "O" ? i.patient_sex : "");
  const std::string day = date(i.study_date);
  w.text(DCM_StudyInstanceUID, i.study_uid).text(DCM_StudyDate, day).text(DCM_StudyTime, day.empty() ? "" : "120000");
  w.text(DCM_ReferringPhysicianName, "").text(DCM_StudyID, "1").text(DCM_AccessionNumber, cut(i.accession, 16));
  if (!i.study_description.empty()) w.text(DCM_StudyDescription, cut(i.study_description, 64));
  w.text(DCM_SeriesInstanceUID, i.series_uid)
      .text(DCM_SeriesNumber, parseInteger(i.series_number) ? i.series_number : "1");
  const std::string described = (i.simulated ? "SIMULATED " : "") + i.series_description;
  if (!described.empty()) w.text(DCM_SeriesDescription, cut(trimmed(described), 64));
  if (!i.body_part.empty()) w.text(DCM_BodyPartExamined, cut(i.body_part, 16));
  w.text(DCM_Manufacturer, cut(i.manufacturer, 64));
  if (!i.model.empty()) w.text(DCM_ManufacturerModelName, cut(i.model, 64));
  w.text(DCM_SoftwareVersions, "1");
  w.text(DCM_InstanceNumber, std::to_string(i.instance_number));
  w.text(DCM_ImageType, i.simulated ? "DERIVED\\SECONDARY" : "ORIGINAL\\PRIMARY");
  if (i.simulated)
    w.text(DCM_QualityControlImage, "YES")
        // verbatim: DICOM
        .text(DCM_DerivationDescription, cut("Simulated radiograph, no exposure: " + i.derivation, 1024));
  else if (!i.derivation.empty())
    w.text(DCM_DerivationDescription, cut(i.derivation, 1024));
  const std::string comments = (i.simulated ? "SIMULATED, NO EXPOSURE OF A PATIENT. " : "") + i.comments;
  if (!comments.empty()) w.text(DCM_ImageComments, cut(trimmed(comments), 10240));
  w.text(DCM_ContentDate, day.empty() ? "20000101" : day).text(DCM_ContentTime, "120000");
  w.text(DCM_LossyImageCompression, "00");
  w.us(DCM_SamplesPerPixel, 1).text(DCM_PhotometricInterpretation, i.monochrome1 ? "MONOCHROME1" : "MONOCHROME2");
  w.us(DCM_Rows, film.rows).us(DCM_Columns, film.columns);
  w.us(DCM_BitsAllocated, 16).us(DCM_BitsStored, i.bits_stored).us(DCM_HighBit, i.bits_stored - 1);
  w.us(DCM_PixelRepresentation, 0);
  if (i.kvp > 0) w.text(DCM_KVP, ds(i.kvp));
  if (i.column_mm > 0) w.text(DCM_ImagerPixelSpacing, dsList({i.row_mm, i.column_mm}));
  if (i.object_column_mm > 0) {
    w.text(DCM_PixelSpacing, dsList({i.object_row_mm, i.object_column_mm}));
    if (i.calibration != FilmWriteInfo::Calibration::kNone) {
      const bool ball = i.calibration == FilmWriteInfo::Calibration::kFiducial;
      w.text(DCM_PixelSpacingCalibrationType, ball ? "FIDUCIAL" : "GEOMETRY");
      // verbatim: DICOM
      w.text(DCM_PixelSpacingCalibrationDescription, ball ? "object of known size" : "distances of the exposure");
    }
  }
  if (i.source_detector_mm) w.text(DCM_DistanceSourceToDetector, ds(*i.source_detector_mm));
  if (i.source_patient_mm) w.text(DCM_DistanceSourceToPatient, ds(*i.source_patient_mm));
  if (i.magnification && i.kind != Kind::kComputed)  // CR has the distances only
    w.text(DCM_EstimatedRadiographicMagnificationFactor, ds(*i.magnification));
}

const char* sideLetter(const FilmWriteInfo& i) { return !i.side ? "U" : *i.side == Side::kRight ? "R" : "L"; }

void putDigital(Writer& w, const FilmWriteInfo& i) {
  // DX Series C.8.11.1, DX Anatomy Imaged C.8.11.2.
  w.text(DCM_Modality, "DX").text(DCM_PresentationIntentType, "FOR PRESENTATION");
  w.text(DCM_ImageLaterality, sideLetter(i));
  w.code(DCM_AnatomicRegionSequence, "56459004", "SCT", "Foot");
  // DX Image C.8.11.3: values grow with attenuation; whether detected or computed, they are declared as a logarithm of
  // the intensity.
  w.text(DCM_PixelIntensityRelationship, "LOG")
      .text(DCM_RescaleIntercept, "0")
      .text(DCM_RescaleSlope, "1")
      .text(DCM_RescaleType, "US");
  w.text(DCM_PresentationLUTShape, i.monochrome1 ? "INVERSE" : "IDENTITY");
  w.text(DCM_BurnedInAnnotation, "NO").text(DCM_PatientOrientation, orientationOf(i));
  // DX Detector C.8.11.4.
  w.text(DCM_DetectorType, i.simulated ? "" : "DIRECT");
  w.text(DCM_PositionerType, "");
  w.empty(DCM_AcquisitionContextSequence);
  if (i.view) putView(w, *i.view, i.lateromedial);
}

void putComputed(Writer& w, const FilmWriteInfo& i) {
  w.text(DCM_Modality, "CR").text(DCM_PatientOrientation, orientationOf(i));
  w.text(DCM_Laterality, i.side ? sideLetter(i) : "");
  w.text(DCM_BurnedInAnnotation, "NO");
  // CR Series C.8.1.1: View Position is required, though it may be empty.
  w.text(DCM_ViewPosition, !i.view                              ? ""
                           : *i.view == FilmView::kDorsoplantar ? "AP"
                           : *i.view == FilmView::kLateral      ? "LL"
                                                                : "LLO");
}

void putAngiography(Writer& w, const FilmWriteInfo& i) {
  w.text(DCM_Modality, "XA").text(DCM_PatientOrientation, orientationOf(i));
  if (i.side) w.text(DCM_Laterality, sideLetter(i));
  // X-Ray Image C.8.7.1, X-Ray Acquisition C.8.7.2, XA Positioner C.8.7.5.
  w.text(DCM_ImageType, i.simulated ? "DERIVED\\SECONDARY\\SINGLE PLANE" : "ORIGINAL\\PRIMARY\\SINGLE PLANE");
  // DISP: no claim about how intensity became grey; LOG would ask for the table that undoes it.
  w.text(DCM_PixelIntensityRelationship, "DISP").text(DCM_BurnedInAnnotation, "NO");
  if (i.kvp <= 0) w.text(DCM_KVP, "");
  w.text(DCM_RadiationSetting, "SC").text(DCM_XRayTubeCurrent, "").text(DCM_ExposureTime, "");
  w.text(DCM_PositionerMotion, "STATIC");
  w.text(DCM_PositionerPrimaryAngle, i.primary_angle_deg ? ds(*i.primary_angle_deg) : "");
  w.text(DCM_PositionerSecondaryAngle, i.secondary_angle_deg ? ds(*i.secondary_angle_deg) : "");
}

}  // namespace

Status writeFilm(const fs::path& file, const Film& film, const FilmWriteInfo& given) {
  prepareDcmtk();
  FilmWriteInfo info = given;
  const auto refuse = [&](Message what, Message remedy = {}) {
    return fail(Fault::kRequest, std::move(what), file.string(), std::move(remedy));
  };
  if (film.columns < 1 || film.rows < 1 || film.columns > 65535 || film.rows > 65535 ||
      film.values.size() != static_cast<std::size_t>(film.columns) * static_cast<std::size_t>(film.rows))
    return refuse("dicom.film_has_no_pixels_more_65535");
  if (!std::all_of(film.values.begin(), film.values.end(), [](float v) { return std::isfinite(v); }))
    return refuse("dicom.film_holds_values_no_numbers");
  if (info.bits_stored < 8 || info.bits_stored > 16)
    return refuse(Message("dicom.bits_stored_not_possible", {{"bits_stored", info.bits_stored}}),
                  Message("dicom.use_8_16"));
  if ((info.column_mm > 0) != (info.row_mm > 0) || (info.object_column_mm > 0) != (info.object_row_mm > 0))
    return refuse("dicom.spacing_given_one_way_only", Message("dicom.give_between_columns_between_rows"));
  if (info.kind == Kind::kDigital && !(info.column_mm > 0))
    return refuse("dicom.digital_ray_image_needs_pixel_spacing", Message("dicom.give_column_mm_row_mm"));
  if (info.kind == Kind::kDigital && orientationOf(info).empty())
    return refuse("dicom.digital_ray_image_must_tell_how", Message("dicom.give_view_side_lateral_one_patient"));
  if (info.kind == Kind::kAngiography && info.monochrome1)
    return refuse("dicom.ray_angiographic_image_monochrome2_only_ps3");
  if (info.simulated && trimmed(info.derivation).empty())
    return refuse("dicom.simulated_film_must_say_what_made", Message("dicom.give_derivation"));
  if (info.window_low.has_value() != info.window_high.has_value() ||
      (info.window_low && !(*info.window_high > *info.window_low)))
    return refuse("dicom.windows_ends_must_given_together_lower");
  Scale scale;
  scale.top = (1 << info.bits_stored) - 1;
  scale.low = info.value_low;
  scale.high = info.value_high;
  if (scale.low == 0 && scale.high == 0) {
    const auto [least, most] = std::minmax_element(film.values.begin(), film.values.end());
    scale.low = static_cast<double>(*least);
    scale.high = static_cast<double>(*most);
    if (!(scale.high > scale.low)) scale.high = scale.low + 1;  // a uniform picture: all at the least value
  }
  if (!(scale.high > scale.low)) return refuse("dicom.value_high_must_above_value_low");

  std::vector<Uint16> words(film.values.size());
  for (std::size_t k = 0; k < words.size(); ++k)
    words[k] = static_cast<Uint16>(std::lround(scale.stored(static_cast<double>(film.values[k]), info.monochrome1)));

  const auto study = [&](const char* role) { return studyHash(role, info.uid_seed, info); };
  if (info.study_uid.empty()) info.study_uid = makeUid(study("film study"));
  if (info.series_uid.empty())
    info.series_uid = makeUid(study("film series")
                                  .add(info.study_uid)
                                  .add(info.series_number)
                                  .add(info.series_description)
                                  .add(static_cast<std::uint64_t>(info.kind))
                                  .add(static_cast<std::uint64_t>(info.simulated)));
  if (info.instance_uid.empty()) {
    Hash h = study("film");
    h.add(info.series_uid).add(static_cast<std::uint64_t>(info.instance_number)).add(sideLetter(info));
    h.add(info.view ? std::string(wordOf(*info.view)) : std::string());
    h.add(info.column_mm).add(info.row_mm).add(info.object_column_mm).add(info.object_row_mm);
    h.add(static_cast<std::uint64_t>(info.monochrome1)).add(static_cast<std::uint64_t>(info.compression));
    h.add(static_cast<std::uint64_t>(info.bits_stored)).add(words.data(), words.size() * sizeof(Uint16));
    info.instance_uid = makeUid(h);
  }

  DcmFileFormat format;
  DcmDataset& data = *format.getDataset();
  OFCondition status = EC_Normal;
  Writer w(data, status);
  switch (info.kind) {
    case Kind::kDigital:
      putCommon(w, film, info, UID_DigitalXRayImageStorageForPresentation);
      putDigital(w, info);
      break;
    case Kind::kComputed:
      putCommon(w, film, info, UID_ComputedRadiographyImageStorage);
      putComputed(w, info);
      break;
    case Kind::kAngiography:
      putCommon(w, film, info, UID_XRayAngiographicImageStorage);
      putAngiography(w, info);
      break;
  }
  // Pixel Intensity Relationship Sign (SS): -1, higher values mean less intensity; +1 if stored inverted.
  if (info.kind == Kind::kDigital && status.good())
    status = data.putAndInsertSint16(DCM_PixelIntensityRelationshipSign, info.monochrome1 ? 1 : -1);
  // VOI LUT C.11.2: required for DX; over all values unless given. Linear: from centre - 0.5 - (width - 1) / 2 on.
  double black = scale.stored(info.window_low.value_or(scale.low), info.monochrome1);
  double white = scale.stored(info.window_high.value_or(scale.high), info.monochrome1);
  if (black > white) std::swap(black, white);
  w.text(DCM_WindowCenter, ds((black + white + 1) / 2)).text(DCM_WindowWidth, ds(white - black + 1));
  if (status.good()) status = data.putAndInsertUint16Array(DCM_PixelData, words.data(), words.size());
  if (status.good()) status = saveObject(format, info.compression, file);
  if (status.bad()) {
    std::error_code ignored;
    fs::remove(file, ignored);
    return fail(Fault::kInternal, Message("dicom.film_cannot_written", {{"text", status.text()}}), file.string(),
                Message("dicom.check_folder_exists_may_written_disk"));
  }
  return {};
}

}  // namespace rayset
