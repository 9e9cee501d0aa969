#include "dicom/header.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "dicom/attributes.h"
#include "dicom/dataset.h"
#include "dicom/dcmtk_setup.h"
#include "dicom/nesting.h"
#include "dicom/text.h"

namespace rayset::dicom {
namespace {

/// Image Type value 3 LOCALIZER (C.8.2.1.1.1), or a projection through many slices, whose values are not the HU of one
/// place.
bool isLocalizer(const std::string& image_type) {
  for (const std::string& value : splitValues(image_type)) {
    const std::string word = lower(value);
    for (const char* name : {"localizer", "scout", "topogram", "mip", "minip", "max_ip", "min_ip", "volren", "vrt",
                             "projection image", "screen save", "screensave"})
      if (word == name) return true;
  }
  return false;
}

/// Position, orientation, spacing and grey scale from the items that hold them (the data set itself in a classic
/// image).
struct FrameItems {
  DcmItem* position;
  DcmItem* orientation;
  DcmItem* measures;
  DcmItem* transform;
};

bool readPlane(const FrameItems& items, Checker& check, const std::string& where, FrameHeader& f) {
  const auto spacing = check.decimals(items.measures, attr::kPixelSpacing, 2, where);
  const auto orientation = check.decimals(items.orientation, attr::kOrientation, 6, where);
  const auto position = check.decimals(items.position, attr::kPosition, 3, where);
  const auto intercept = check.decimals(items.transform, attr::kIntercept, 1, where);
  const auto slope = check.decimals(items.transform, attr::kSlope, 1, where);
  if (!spacing || !orientation || !position || !intercept || !slope) return false;

  // C.10.7.1.3: the first value is the distance between rows, the second between columns.
  f.row_spacing = (*spacing)[0];
  f.column_spacing = (*spacing)[1];
  for (const double s : *spacing) {
    if (!(s > 0.02 && s < 5.0)) {
      check.fault(attr::kPixelSpacing,
                  Message("dicom.pixel_spacing_mm_no_ct_foot",
                          {{"spacing", plain((*spacing)[0])}, {"spacing_2", plain((*spacing)[1])}}),
                  kAskScanner, where);
      return false;
    }
  }
  // C.7.6.2.1.1: unit direction cosines, perpendicular.
  Vec3 row((*orientation)[0], (*orientation)[1], (*orientation)[2]);
  Vec3 column((*orientation)[3], (*orientation)[4], (*orientation)[5]);
  constexpr double kUnitTolerance = 0.01;           // ours: rounding of printed cosines stays far below
  constexpr double kPerpendicularTolerance = 0.01;  // about 0.6 degrees
  if (std::abs(row.norm() - 1) > kUnitTolerance || std::abs(column.norm() - 1) > kUnitTolerance ||
      std::abs(row.dot(column)) > kPerpendicularTolerance) {
    check.fault(attr::kOrientation, Message("dicom.image_orientation_patient_not_two_perpendicular"), kAskScanner,
                where);
    return false;
  }
  row.normalize();
  column = (column - column.dot(row) * row).normalized();
  f.row_direction = row;
  f.column_direction = column;
  f.position = Vec3((*position)[0], (*position)[1], (*position)[2]);
  if (f.position.cwiseAbs().maxCoeff() > 1e5) {
    check.fault(attr::kPosition, Message("dicom.image_position_patient_more_100_away"), kAskScanner, where);
    return false;
  }
  f.slope = (*slope)[0];
  f.intercept = (*intercept)[0];
  if (f.slope == 0 || std::abs(f.slope) > 1e4 || std::abs(f.intercept) > 1e6) {
    check.fault(attr::kSlope,
                Message("dicom.rescale_slope_rescale_intercept_cannot_give",
                        {{"slope", plain(f.slope)}, {"intercept", plain(f.intercept)}}),
                kAskScanner, where);
    return false;
  }
  return true;
}

void readClassic(DcmDataset& data, Checker& check, ScanFile& file) {
  if (file.pixels.frames != 1) {
    check.fault(attr::kNumberOfFrames,
                Message("dicom.classic_ct_image_has_one_frame", {{"frames", file.pixels.frames}}), kExportAgain);
    return;
  }
  FrameHeader f;
  if (!readPlane({&data, &data, &data, &data}, check, "", f)) return;
  if (const auto thickness = parseDecimal(text(data, attr::kSliceThickness))) f.thickness = *thickness;
  f.rows = file.pixels.rows;
  f.columns = file.pixels.columns;
  f.image_type = text(data, attr::kImageType);
  f.kernel = text(data, attr::kKernel);
  f.acquisition = text(data, attr::kAcquisitionNumber);
  f.phase = text(data, attr::kTemporalPosition);
  file.rescale_type = text(data, attr::kRescaleType);
  file.frames.push_back(std::move(f));
}

/// C.7.6.16: a functional group is either in the frame's item or in the shared item.
class Groups {
 public:
  Groups(DcmItem* frame, DcmItem* shared) : frame_(frame), shared_(shared) {}
  [[nodiscard]] DcmItem* operator()(const Attribute& sequence) const {
    if (frame_)
      if (DcmItem* item = firstItem(*frame_, sequence)) return item;
    return shared_ ? firstItem(*shared_, sequence) : nullptr;
  }
  [[nodiscard]] std::string value(const Attribute& sequence, const Attribute& a) const {
    DcmItem* item = (*this)(sequence);
    return item ? text(*item, a) : std::string();
  }

 private:
  DcmItem* frame_;
  DcmItem* shared_;
};

void readEnhanced(DcmDataset& data, Checker& check, ScanFile& file) {
  DcmItem* shared = firstItem(data, attr::kSharedGroups);
  DcmSequenceOfItems* per_frame = nullptr;
  data.findAndGetSequence(key(attr::kPerFrameGroups), per_frame);
  if (!shared && !per_frame) {
    check.fault(attr::kPerFrameGroups, Message("dicom.enhanced_ct_image_has_no_functional"), kAskScanner);
    return;
  }
  const long long items = per_frame ? static_cast<long long>(per_frame->card()) : 0;
  // Also guards against absurd counts: no more frames than items actually in the file.
  if (items != file.pixels.frames) {
    check.fault(
        attr::kNumberOfFrames,
        Message("dicom.number_frames_but_per_frame_functional", {{"frames", file.pixels.frames}, {"items", items}}),
        kExportAgain);
    return;
  }
  file.frames.reserve(static_cast<std::size_t>(items));
  DcmObject* object = nullptr;
  int number = 0;
  while ((object = per_frame->nextInContainer(object)) != nullptr) {  // getItem(i) would walk the list each time
    const Groups groups(dynamic_cast<DcmItem*>(object), shared);
    FrameHeader f;
    f.frame = number++;
    f.rows = file.pixels.rows;
    f.columns = file.pixels.columns;
    f.image_type = groups.value(attr::kFrameTypeSequence, attr::kFrameType);
    if (f.image_type.empty()) f.image_type = text(data, attr::kImageType);
    if (isLocalizer(f.image_type)) continue;
    const FrameItems parts{groups(attr::kPlanePositionSequence), groups(attr::kPlaneOrientationSequence),
                           groups(attr::kPixelMeasuresSequence), groups(attr::kPixelTransformSequence)};
    if (!readPlane(parts, check, fmt::format(", frame {}", number), f)) return;
    if (const auto t = parseDecimal(groups.value(attr::kPixelMeasuresSequence, attr::kSliceThickness)))
      f.thickness = *t;
    f.kernel = groups.value(attr::kReconstructionSequence, attr::kKernel);
    f.kernel_group = groups.value(attr::kReconstructionSequence, attr::kKernelGroup);
    f.acquisition = groups.value(attr::kFrameContentSequence, attr::kFrameAcquisition);
    f.stack = groups.value(attr::kFrameContentSequence, attr::kStackId);
    f.phase = groups.value(attr::kFrameContentSequence, attr::kTemporalIndex);
    if (file.rescale_type.empty()) file.rescale_type = groups.value(attr::kPixelTransformSequence, attr::kRescaleType);
    if (file.laterality.empty()) file.laterality = groups.value(attr::kFrameAnatomySequence, attr::kFrameLaterality);
    if (file.kvp == 0)
      if (const auto kvp = parseDecimal(groups.value(attr::kXRayDetailsSequence, attr::kKvp))) file.kvp = *kvp;
    file.frames.push_back(std::move(f));
  }
  if (file.frames.empty() && !check.defect) {
    file.kind = ScanFile::Kind::kLocalizer;
    file.kind_name = Message("dicom.localizer_scout_projection_image");
  }
}

void readTexts(DcmDataset& data, ScanFile& file) {
  file.character_set = text(data, attr::kCharacterSet);
  file.patient_name = text(data, attr::kPatientName);
  file.patient_id = text(data, attr::kPatientId);
  file.patient_sex = text(data, attr::kPatientSex);
  file.patient_birth_date = text(data, attr::kPatientBirthDate);
  file.study_uid = text(data, attr::kStudyInstance);
  file.study_date = text(data, attr::kStudyDate);
  file.study_description = text(data, attr::kStudyDescription);
  file.accession = text(data, attr::kAccession);
  file.series_uid = text(data, attr::kSeriesInstance);
  file.series_description = text(data, attr::kSeriesDescription);
  file.series_number = text(data, attr::kSeriesNumber);
  file.frame_of_reference_uid = text(data, attr::kFrameOfReference);
  file.sop_instance_uid = text(data, attr::kSopInstance);
  file.manufacturer = text(data, attr::kManufacturer);
  file.model = text(data, attr::kModel);
  file.body_part = text(data, attr::kBodyPart);
  file.laterality = text(data, attr::kImageLaterality);
  if (file.laterality.empty()) file.laterality = text(data, attr::kLaterality);
  file.patient_position = text(data, attr::kPatientPosition);
  if (const auto kvp = parseDecimal(text(data, attr::kKvp))) file.kvp = *kvp;
}

}  // namespace

std::string frameName(const ScanFile& file, const FrameHeader& frame) {
  return file.enhanced ? fmt::format("{}, frame {}", file.name, frame.frame + 1) : file.name;
}

ScanFile readHeader(const std::filesystem::path& path, const std::string& name) {
  prepareDcmtk();
  ScanFile file;
  file.path = path;
  file.name = name;
  const Look look = lookAt(path);
  if (look == Look::kUnreadable) {
    file.kind = ScanFile::Kind::kDamaged;
    file.kind_name = Message("dicom.file_may_not_opened");
    return file;
  }
  file.kind_name = Message("dicom.file_not_dicom_2");
  if (look == Look::kForeign) return file;

  if (const Message fault = faultOf(structureOf(path)); !fault.empty()) {
    file.kind = ScanFile::Kind::kDamaged;
    file.kind_name = Message("dicom.dicom_file_that", {{"fault", fault}});
    return file;
  }
  DcmFileFormat format;
  const OFCondition status = format.loadFileUntilTag(path.c_str(), EXS_Unknown, EGL_noChange, DCM_MaxReadLength,
                                                     ERM_autoDetect, DCM_PixelData);
  DcmDataset& data = *format.getDataset();
  const std::string sop_class = text(data, attr::kSopClass);
  if (status.bad() && (look == Look::kMaybeDicom || sop_class.empty())) {
    if (look == Look::kMaybeDicom && sop_class.empty()) return file;
    file.kind = ScanFile::Kind::kDamaged;
    file.kind_name = Message("dicom.damaged_dicom_file", {{"text", status.text()}});
    return file;
  }
  if (look == Look::kMaybeDicom && sop_class.empty() && text(data, attr::kModality).empty()) return file;
  const std::string modality = text(data, attr::kModality);

  // DICOMDIR has no SOP class in its data set, only in the file's meta information.
  OFString media_class;
  format.getMetaInfo()->findAndGetOFString(DCM_MediaStorageSOPClassUID, media_class);
  if (media_class == UID_MediaStorageDirectoryStorage) {
    file.kind = ScanFile::Kind::kOther;
    file.kind_name = Message::quoted("DICOMDIR");
    return file;
  }
  const bool classic = sop_class == UID_CTImageStorage;
  file.enhanced = sop_class == UID_EnhancedCTImageStorage || sop_class == UID_LegacyConvertedEnhancedCTImageStorage;
  if (!classic && !file.enhanced) {
    file.kind = ScanFile::Kind::kOther;
    if (sop_class.empty())
      file.kind_name = modality.empty()
                           ? Message("dicom.dicom_file_without_sop_class_uid_2")
                           : Message("dicom.file_without_sop_class_uid_3", {{"to_utf8", toUtf8(modality, "")}});
    else
      file.kind_name = nameOfClass(sop_class);
    return file;
  }
  if (!modality.empty() && modality != "CT") {
    file.kind = ScanFile::Kind::kOther;
    file.kind_name = Message("dicom.ct_image_storage_object_whose_modality", {{"to_utf8", toUtf8(modality, "")}});
    return file;
  }
  readTexts(data, file);
  if (classic && isLocalizer(text(data, attr::kImageType))) {
    file.kind = ScanFile::Kind::kLocalizer;
    file.kind_name = Message("dicom.localizer_scout_projection_image");
    return file;
  }
  file.kind = ScanFile::Kind::kCt;
  file.kind_name = classic ? Message("dicom.ct_image") : Message("dicom.enhanced_ct_image");

  Checker check{file.name};
  if (status.bad()) {
    file.defect = Error{Fault::kImages, Message("dicom.header_cannot_read_end", {{"text", status.text()}}), file.name,
                        kExportAgain};
    return file;
  }
  const DcmXfer syntax(data.getOriginalXfer());
  file.pixels.transfer_syntax = syntax.getXferID() ? syntax.getXferID() : "";
  file.pixels.encapsulated = syntax.isEncapsulated();
  file.pixels.deflated = syntax.getXfer() == EXS_DeflatedLittleEndianExplicit;
  if (!supportedSyntax(syntax.getXfer())) {
    OFString uid;
    format.getMetaInfo()->findAndGetOFString(DCM_TransferSyntaxUID, uid);
    check.fault(attr::kTransferSyntax,
                Message("dicom.pixels_stored_program_cannot_read", {{"syntax_text", syntaxText(syntax, uid.c_str())}}),
                kUncompressed);
    file.defect = check.defect;
    return file;
  }
  file.lossy = lossySyntax(syntax.getXfer()) || text(data, attr::kLossy) == "01";
  if (file.series_uid.empty())
    check.fault(attr::kSeriesInstance, Message("dicom.ct_image_has_no_series_instance"), kAskScanner);
  // Colour pages (dose reports, pictures of 3-D views) are stored in CT series too: they are not cross-sections.
  const auto samples = parseInteger(text(data, attr::kSamplesPerPixel)).value_or(1);
  const std::string photometric = text(data, attr::kPhotometric);
  if (samples != 1 || (!photometric.empty() && !photometric.starts_with("MONOCHROME"))) {
    file.kind = ScanFile::Kind::kOther;
    file.kind_name =
        Message("dicom.colour_picture_ct_series_photometric_interpretation", {{"to_utf8", toUtf8(photometric, "")}});
    return file;
  }
  file.monochrome1 = photometric == "MONOCHROME1";
  readPixelFormat(data, check, file.pixels);
  if (!check.defect) {
    if (file.enhanced)
      readEnhanced(data, check, file);
    else
      readClassic(data, check, file);
  }
  if (!check.defect && !file.rescale_type.empty() && lower(file.rescale_type) != "hu" &&
      lower(file.rescale_type) != "hu_mod")
    check.fault(
        attr::kRescaleType,
        Message("dicom.values_not_hounsfield_units", {{"to_utf8", toUtf8(file.rescale_type, file.character_set)}}),
        Message("dicom.choose_ordinary_ct_reconstruction_scan_not"));
  file.defect = check.defect;
  if (file.defect) file.frames.clear();
  return file;
}

}  // namespace rayset::dicom
