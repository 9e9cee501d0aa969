#include "dicom/ct_writer.h"

#include <fmt/format.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <cmath>
#include <set>
#include <vector>

#include "dicom/dcmtk_setup.h"
#include "dicom/series.h"
#include "dicom/text.h"
#include "dicom/uid.h"
#include "dicom/writing.h"

namespace rayset {
namespace {

namespace fs = std::filesystem;
using namespace dicom;

struct Plan {
  const CtVolume& volume;
  const ScanInfo& info;
  const CtWriteSettings& settings;
  std::string study_uid, series_uid, frame_uid, study_date, patient_position;

  [[nodiscard]] std::string instanceUid(int k) const {
    return dicom::makeUid(dicom::Hash().add(series_uid).add("instance").add(static_cast<std::uint64_t>(k)));
  }
  [[nodiscard]] std::string position(int k) const {
    const Vec3 p = volume.grid.toPatient(Vec3(0, 0, k));
    return dsList({p.x(), p.y(), p.z()});
  }
  [[nodiscard]] std::string orientation() const {
    const Mat3& d = volume.grid.direction;
    return dsList({d(0, 0), d(1, 0), d(2, 0), d(0, 1), d(1, 1), d(2, 1)});
  }
};

void putCommon(Writer& w, const Plan& p, const char* sop_class, const std::string& instance) {
  const ScanInfo& i = p.info;
  w.text(DCM_SpecificCharacterSet, "ISO_IR 192");
  // SOP Common C.12.1, Patient C.7.1.1, General Study C.7.2.1.
  w.text(DCM_SOPClassUID, sop_class).text(DCM_SOPInstanceUID, instance);
  w.text(DCM_PatientName, cut(i.patient_name, 64)).text(DCM_PatientID, cut(i.patient_id, 64));
  w.text(DCM_PatientBirthDate, date(i.patient_birth_date));
  w.text(DCM_PatientSex, i.patient_sex == "M" || i.patient_sex == "F" || i.patient_sex == "O" ? i.patient_sex : "");
  w.text(DCM_StudyInstanceUID, p.study_uid)
      .text(DCM_StudyDate, date(i.study_date))
      .text(DCM_StudyTime, date(i.study_date).empty() ? "" : "120000");
  w.text(DCM_ReferringPhysicianName, "").text(DCM_StudyID, "1").text(DCM_AccessionNumber, cut(i.accession, 16));
  if (!i.study_description.empty()) w.text(DCM_StudyDescription, cut(i.study_description, 64));
  // General Series C.7.3.1, Frame of Reference C.7.4.1, General Equipment C.7.5.1.
  w.text(DCM_Modality, "CT").text(DCM_SeriesInstanceUID, p.series_uid);
  w.text(DCM_SeriesNumber, dicom::parseInteger(i.series_number) ? i.series_number : "1");
  if (!i.series_description.empty()) w.text(DCM_SeriesDescription, cut(i.series_description, 64));
  if (!i.body_part.empty()) w.text(DCM_BodyPartExamined, cut(i.body_part, 16));
  w.text(DCM_PatientPosition, p.patient_position);
  w.text(DCM_FrameOfReferenceUID, p.frame_uid).text(DCM_PositionReferenceIndicator, "");
  w.text(DCM_Manufacturer, i.manufacturer.empty() ? "Rayset" : cut(i.manufacturer, 64));
  w.text(DCM_ManufacturerModelName, i.model.empty() ? "Phantom" : cut(i.model, 64));
  w.text(DCM_SoftwareVersions, "1");
  // Content and image: the same in both kinds.
  w.text(DCM_ContentDate, p.study_date).text(DCM_ContentTime, "120000");
  w.text(DCM_BurnedInAnnotation, "NO").text(DCM_LossyImageCompression, "00");
  // Image Pixel C.7.6.3.
  const Grid& g = p.volume.grid;
  w.us(DCM_SamplesPerPixel, 1).text(DCM_PhotometricInterpretation, "MONOCHROME2");
  w.us(DCM_Rows, g.size.y()).us(DCM_Columns, g.size.x());
  w.us(DCM_BitsAllocated, 16).us(DCM_BitsStored, p.settings.bits_stored).us(DCM_HighBit, p.settings.bits_stored - 1);
  w.us(DCM_PixelRepresentation, p.settings.is_signed ? 1 : 0);
}

void putClassic(Writer& w, const Plan& p, int k) {
  const Grid& g = p.volume.grid;
  putCommon(w, p, UID_CTImageStorage, p.instanceUid(k));
  // Type 2C for paired body parts: empty if the side is unknown.
  w.text(DCM_Laterality, p.info.laterality == "R" || p.info.laterality == "L" ? p.info.laterality : "");
  w.text(DCM_QualityControlImage, "YES");  // a phantom
  w.text(DCM_ImageType, "ORIGINAL\\PRIMARY\\AXIAL")
      .text(DCM_InstanceNumber, std::to_string(k + 1))
      .text(DCM_AcquisitionNumber, "1");
  // Image Plane C.7.6.2.
  w.text(DCM_PixelSpacing, dsList({g.spacing.y(), g.spacing.x()})).text(DCM_ImageOrientationPatient, p.orientation());
  w.text(DCM_ImagePositionPatient, p.position(k)).text(DCM_SliceThickness, ds(g.spacing.z()));
  // CT Image C.8.2.1, VOI LUT C.11.2.
  w.text(DCM_RescaleIntercept, ds(p.settings.rescale_intercept))
      .text(DCM_RescaleSlope, ds(p.settings.rescale_slope))
      .text(DCM_RescaleType, "HU");
  w.text(DCM_KVP, p.info.kvp > 0 ? ds(p.info.kvp) : "");
  if (!p.info.kernel.empty()) w.text(DCM_ConvolutionKernel, cut(p.info.kernel, 16));
  w.text(DCM_WindowCenter, "400").text(DCM_WindowWidth, "2000");
}

void putEnhanced(Writer& w, const Plan& p) {
  const Grid& g = p.volume.grid;
  putCommon(w, p, UID_EnhancedCTImageStorage, p.instanceUid(0));
  // Computed images are DERIVED: the acquisition macros of C.8.15.3 describe an X-ray exposure that never took place.
  w.text(DCM_ImageType, "DERIVED\\PRIMARY\\VOLUME\\NONE").text(DCM_InstanceNumber, "1");
  w.text(DCM_DeviceSerialNumber, "1");
  // Enhanced CT Image C.8.15.2 and Common CT/MR Image Description C.8.16.2.
  w.text(DCM_PixelPresentation, "MONOCHROME")
      .text(DCM_VolumetricProperties, "VOLUME")
      .text(DCM_VolumeBasedCalculationTechnique, "NONE");
  w.text(DCM_AcquisitionDateTime, p.study_date + "120000")
      .fd(DCM_AcquisitionDuration, 0)
      .text(DCM_AcquisitionNumber, "1");
  w.text(DCM_ContentQualification, "RESEARCH").text(DCM_PresentationLUTShape, "IDENTITY");
  w.empty(DCM_AcquisitionContextSequence);  // C.7.6.14: no context to state
  w.text(DCM_NumberOfFrames, std::to_string(g.size.z()));
  // Multi-frame Dimension C.7.6.17: frames run along one stack.
  const std::string dimension = dicom::makeUid(dicom::Hash().add(p.series_uid).add("dimension"));
  w.item(DCM_DimensionOrganizationSequence).text(DCM_DimensionOrganizationUID, dimension);
  w.item(DCM_DimensionIndexSequence)
      .text(DCM_DimensionOrganizationUID, dimension)
      .at(DCM_DimensionIndexPointer, DCM_InStackPositionNumber)
      .at(DCM_FunctionalGroupPointer, DCM_FrameContentSequence);
  // Shared functional groups C.7.6.16.2, C.8.15.3.
  Writer shared = w.item(DCM_SharedFunctionalGroupsSequence);
  shared.item(DCM_PixelMeasuresSequence)
      .text(DCM_PixelSpacing, dsList({g.spacing.y(), g.spacing.x()}))
      .text(DCM_SliceThickness, ds(g.spacing.z()));
  shared.item(DCM_PlaneOrientationSequence).text(DCM_ImageOrientationPatient, p.orientation());
  shared.item(DCM_PixelValueTransformationSequence)
      .text(DCM_RescaleIntercept, ds(p.settings.rescale_intercept))
      .text(DCM_RescaleSlope, ds(p.settings.rescale_slope))
      .text(DCM_RescaleType, "HU");
  shared.item(DCM_CTImageFrameTypeSequence)
      .text(DCM_FrameType, "DERIVED\\PRIMARY\\VOLUME\\NONE")
      .text(DCM_PixelPresentation, "MONOCHROME")
      .text(DCM_VolumetricProperties, "VOLUME")
      .text(DCM_VolumeBasedCalculationTechnique, "NONE");
  Writer anatomy = shared.item(DCM_FrameAnatomySequence);
  anatomy.code(DCM_AnatomicRegionSequence, "56459004", "SCT", "Foot");
  anatomy.text(DCM_FrameLaterality, p.info.laterality == "R" || p.info.laterality == "L" ? p.info.laterality : "U");
  shared.item(DCM_FrameVOILUTSequence).text(DCM_WindowCenter, "400").text(DCM_WindowWidth, "2000");
  shared.item(DCM_IrradiationEventIdentificationSequence)
      .text(DCM_IrradiationEventUID, dicom::makeUid(dicom::Hash().add(p.series_uid).add("event")));
  if (!p.info.kernel.empty())
    shared.item(DCM_CTReconstructionSequence)
        .text(DCM_ReconstructionAlgorithm, "FILTER_BACK_PROJ")
        .text(DCM_ConvolutionKernel, cut(p.info.kernel, 16))
        .text(DCM_ConvolutionKernelGroup,
              dicom::sharpnessOf(p.info.kernel, "", "") == dicom::Sharpness::kSoft ? "SOFT_TISSUE" : "BONE")
        .fd2(DCM_ReconstructionFieldOfView, g.spacing.x() * g.size.x(), g.spacing.y() * g.size.y())
        .fd2(DCM_ReconstructionPixelSpacing, g.spacing.y(), g.spacing.x())
        .fd(DCM_ReconstructionAngle, 360)
        .text(DCM_ImageFilter, "NONE");
  if (p.info.kvp > 0)  // with KVP the macro requires a focal spot and a filter: those of an invented scanner
    shared.item(DCM_CTXRayDetailsSequence)
        .text(DCM_KVP, ds(p.info.kvp))
        .fd(DCM_FocalSpots, 1)
        .text(DCM_FilterType, "FLAT")
        .text(DCM_FilterMaterial, "ALUMINUM");
  for (int k = 0; k < g.size.z(); ++k) {
    Writer frame = w.item(DCM_PerFrameFunctionalGroupsSequence);
    frame.item(DCM_FrameContentSequence)
        .text(DCM_StackID, "1")
        .ul(DCM_InStackPositionNumber, static_cast<unsigned>(k) + 1)
        .ul(DCM_DimensionIndexValues, static_cast<unsigned>(k) + 1)
        .text(DCM_FrameAcquisitionDateTime, p.study_date + "120000")
        .text(DCM_FrameReferenceDateTime, p.study_date + "120000")
        .fd(DCM_FrameAcquisitionDuration, 0);
    frame.item(DCM_PlanePositionSequence).text(DCM_ImagePositionPatient, p.position(k));
  }
}

/// HU of slices [first, first + count) as stored 16-bit words.
std::vector<Uint16> storedWords(const Plan& p, int first, int count) {
  const Grid& g = p.volume.grid;
  const std::size_t size = static_cast<std::size_t>(g.size.x()) * static_cast<std::size_t>(g.size.y());
  const std::int16_t* hu = p.volume.voxels.data() + static_cast<std::size_t>(first) * size;
  std::vector<Uint16> words(size * static_cast<std::size_t>(count));
  const CtWriteSettings& s = p.settings;
  const int low = s.is_signed ? -(1 << (s.bits_stored - 1)) : 0;
  const int high = s.is_signed ? (1 << (s.bits_stored - 1)) - 1 : (1 << s.bits_stored) - 1;
  const int mask = (1 << s.bits_stored) - 1;
  for (std::size_t i = 0; i < words.size(); ++i) {
    const double value = std::clamp((hu[i] - s.rescale_intercept) / s.rescale_slope, static_cast<double>(low),
                                    static_cast<double>(high));
    words[i] = static_cast<Uint16>(static_cast<int>(std::floor(value + 0.5)) & mask);
  }
  return words;
}

/// One object to one file. Returns DCMTK's message on failure.
OFCondition writeObject(const Plan& p, int first, int count, const fs::path& file) {
  DcmFileFormat format;
  DcmDataset& data = *format.getDataset();
  OFCondition status = EC_Normal;
  Writer w(data, status);
  if (p.settings.enhanced)
    putEnhanced(w, p);
  else
    putClassic(w, p, first);
  if (status.bad()) return status;
  {
    const std::vector<Uint16> words = storedWords(p, first, count);
    status = data.putAndInsertUint16Array(DCM_PixelData, words.data(), words.size());
    if (status.bad()) return status;
  }
  return saveObject(format, p.settings.compression, file);
}

}  // namespace

Status writeCt(const fs::path& folder, const CtVolume& volume, const ScanInfo& info, const CtWriteSettings& settings) {
  dicom::prepareDcmtk();
  const Grid& g = volume.grid;
  const auto refuse = [&](Message what, Message remedy = {}) {
    return fail(Fault::kRequest, std::move(what), folder.string(), std::move(remedy));
  };
  if (g.size.minCoeff() < 1 || volume.voxels.size() != g.count())
    return refuse("dicom.volume_written_ct_has_no_voxels");
  if (g.size.x() > 65535 || g.size.y() > 65535)
    return refuse(Message("dicom.ct_slice_pixels_cannot_written_65535", {{"x", g.size.x()}, {"y", g.size.y()}}));
  if (!(g.spacing.minCoeff() > 0) || !g.origin.allFinite() ||
      !(g.direction.transpose() * g.direction).isApprox(Mat3::Identity(), 1e-6))
    return refuse("dicom.grids_spacing_not_positive_directions_not");
  if (settings.bits_stored < 12 || settings.bits_stored > 16)
    return refuse(Message("dicom.bits_stored_not_possible_ct", {{"bits_stored", settings.bits_stored}}),
                  Message("dicom.use_12_16"));
  if (settings.rescale_slope == 0 || !std::isfinite(settings.rescale_slope) ||
      !std::isfinite(settings.rescale_intercept))
    return refuse("dicom.rescale_slope_must_number_other_0");
  const std::size_t slice = static_cast<std::size_t>(g.size.x()) * static_cast<std::size_t>(g.size.y());
  if (settings.enhanced &&
      slice * static_cast<std::size_t>(g.size.z()) > 0x7ffffff0u)  // Pixel Data has a 32-bit length
    return refuse("dicom.volume_too_large_one_enhanced_object", Message("dicom.write_classic_ct_one_file_slice"));

  Plan plan{volume,
            info,
            settings,
            info.study_uid,
            info.series_uid,
            info.frame_of_reference_uid,
            date(info.study_date),
            info.patient_position};
  if (plan.study_date.empty()) plan.study_date = "20000101";         // Content Date must have a value
  if (plan.patient_position.empty()) plan.patient_position = "FFS";  // feet first, on the back
  using dicom::Hash;
  const auto study = [&](const char* role) { return dicom::studyHash(role, settings.uid_seed, info); };
  if (plan.study_uid.empty()) plan.study_uid = dicom::makeUid(study("study"));
  // verbatim: DICOM
  if (plan.frame_uid.empty()) plan.frame_uid = dicom::makeUid(study("frame of reference"));
  if (plan.series_uid.empty()) {
    Hash h = study("series");
    h.add(plan.study_uid)
        .add(info.series_number)
        .add(info.series_description)
        .add(info.kernel)
        .add(info.body_part)
        .add(info.laterality);
    h.add(static_cast<std::uint64_t>(settings.compression)).add(static_cast<std::uint64_t>(settings.enhanced));
    h.add(settings.rescale_slope).add(settings.rescale_intercept).add(static_cast<std::uint64_t>(settings.is_signed));
    h.add(static_cast<std::uint64_t>(settings.bits_stored));
    h.add(g.size.data(), sizeof(int) * 3)
        .add(g.origin.data(), sizeof(double) * 3)
        .add(g.spacing.data(), sizeof(double) * 3);
    h.add(g.direction.data(), sizeof(double) * 9)
        .add(volume.voxels.data(), volume.voxels.size() * sizeof(std::int16_t));
    plan.series_uid = dicom::makeUid(h);
  }

  std::error_code error;
  fs::create_directories(folder, error);
  if (error || !fs::is_directory(folder, error))
    return fail(Fault::kInternal, Message("dicom.folder_cannot_made", {{"message", error.message()}}), folder.string(),
                Message("dicom.check_path_permissions"));
  const int files = settings.enhanced ? 1 : g.size.z();
  std::vector<fs::path> names;
  for (int k = 0; k < files; ++k) names.push_back(folder / fmt::format("IM{:04d}.dcm", k + 1));
  const std::set<fs::path> ours(names.begin(), names.end());
  for (const auto& entry : fs::directory_iterator(folder, error)) {
    const std::string name = entry.path().filename().string();
    if (name.starts_with("IM") && name.ends_with(".dcm") && !ours.contains(entry.path()))
      return refuse(Message("dicom.already_would_mix_new_series_file", {{"name", name}, {"files", files}}),
                    Message("dicom.give_empty_folder"));
  }

  std::vector<OFCondition> results(names.size(), EC_Normal);
  tbb::parallel_for(0, files, [&](int k) {
    const auto at = static_cast<std::size_t>(k);
    results[at] = writeObject(plan, settings.enhanced ? 0 : k, settings.enhanced ? g.size.z() : 1, names[at]);
  });
  for (std::size_t k = 0; k < names.size(); ++k) {
    if (results[k].good()) continue;
    for (const fs::path& name : names) fs::remove(name, error);
    return fail(Fault::kInternal, Message("dicom.ct_image_cannot_written", {{"text", results[k].text()}}),
                names[k].string(), Message("dicom.check_disk_not_full_folder_may"));
  }
  return {};
}

}  // namespace rayset
