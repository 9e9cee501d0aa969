// The DICOM attributes this stage reads, with the names people see in messages (PS3.6 names).
#pragma once

#include <cstdint>
#include <string>

namespace rayset::dicom {

struct Attribute {
  std::uint16_t group;
  std::uint16_t element;
  const char* name;
};

/// "Pixel Spacing (0028,0030)"
[[nodiscard]] std::string label(const Attribute& attribute);

namespace attr {
inline constexpr Attribute kTransferSyntax{0x0002, 0x0010, "Transfer Syntax UID"};
inline constexpr Attribute kCharacterSet{0x0008, 0x0005, "Specific Character Set"};
inline constexpr Attribute kImageType{0x0008, 0x0008, "Image Type"};
inline constexpr Attribute kSopClass{0x0008, 0x0016, "SOP Class UID"};
inline constexpr Attribute kSopInstance{0x0008, 0x0018, "SOP Instance UID"};
inline constexpr Attribute kStudyDate{0x0008, 0x0020, "Study Date"};
inline constexpr Attribute kContentDate{0x0008, 0x0023, "Content Date"};
inline constexpr Attribute kAccession{0x0008, 0x0050, "Accession Number"};
inline constexpr Attribute kModality{0x0008, 0x0060, "Modality"};
inline constexpr Attribute kConversionType{0x0008, 0x0064, "Conversion Type"};
inline constexpr Attribute kPresentationIntent{0x0008, 0x0068, "Presentation Intent Type"};
inline constexpr Attribute kManufacturer{0x0008, 0x0070, "Manufacturer"};
inline constexpr Attribute kCodeValue{0x0008, 0x0100, "Code Value"};
inline constexpr Attribute kCodeMeaning{0x0008, 0x0104, "Code Meaning"};
inline constexpr Attribute kStudyDescription{0x0008, 0x1030, "Study Description"};
inline constexpr Attribute kSeriesDescription{0x0008, 0x103e, "Series Description"};
inline constexpr Attribute kModel{0x0008, 0x1090, "Manufacturer's Model Name"};
inline constexpr Attribute kDerivation{0x0008, 0x2111, "Derivation Description"};
inline constexpr Attribute kFrameType{0x0008, 0x9007, "Frame Type"};
inline constexpr Attribute kPatientName{0x0010, 0x0010, "Patient's Name"};
inline constexpr Attribute kPatientId{0x0010, 0x0020, "Patient ID"};
inline constexpr Attribute kPatientBirthDate{0x0010, 0x0030, "Patient's Birth Date"};
inline constexpr Attribute kPatientSex{0x0010, 0x0040, "Patient's Sex"};
inline constexpr Attribute kBodyPart{0x0018, 0x0015, "Body Part Examined"};
inline constexpr Attribute kSliceThickness{0x0018, 0x0050, "Slice Thickness"};
inline constexpr Attribute kKvp{0x0018, 0x0060, "KVP"};
inline constexpr Attribute kProtocol{0x0018, 0x1030, "Protocol Name"};
inline constexpr Attribute kSourceDetector{0x0018, 0x1110, "Distance Source to Detector"};
inline constexpr Attribute kSourcePatient{0x0018, 0x1111, "Distance Source to Patient"};
inline constexpr Attribute kMagnification{0x0018, 0x1114, "Estimated Radiographic Magnification Factor"};
inline constexpr Attribute kImagerSpacing{0x0018, 0x1164, "Imager Pixel Spacing"};
inline constexpr Attribute kKernel{0x0018, 0x1210, "Convolution Kernel"};
inline constexpr Attribute kProcessing{0x0018, 0x1400, "Acquisition Device Processing Description"};
inline constexpr Attribute kPrimaryAngle{0x0018, 0x1510, "Positioner Primary Angle"};
inline constexpr Attribute kSecondaryAngle{0x0018, 0x1511, "Positioner Secondary Angle"};
inline constexpr Attribute kCollimatorShape{0x0018, 0x1700, "Collimator Shape"};
inline constexpr Attribute kCollimatorLeft{0x0018, 0x1702, "Collimator Left Vertical Edge"};
inline constexpr Attribute kCollimatorRight{0x0018, 0x1704, "Collimator Right Vertical Edge"};
inline constexpr Attribute kCollimatorUpper{0x0018, 0x1706, "Collimator Upper Horizontal Edge"};
inline constexpr Attribute kCollimatorLower{0x0018, 0x1708, "Collimator Lower Horizontal Edge"};
inline constexpr Attribute kScannedSpacing{0x0018, 0x2010, "Nominal Scanned Pixel Spacing"};
inline constexpr Attribute kPatientPosition{0x0018, 0x5100, "Patient Position"};
inline constexpr Attribute kViewPosition{0x0018, 0x5101, "View Position"};
inline constexpr Attribute kReconstructionSequence{0x0018, 0x9314, "CT Reconstruction Sequence"};
inline constexpr Attribute kKernelGroup{0x0018, 0x9316, "Convolution Kernel Group"};
inline constexpr Attribute kXRayDetailsSequence{0x0018, 0x9325, "CT X-Ray Details Sequence"};
inline constexpr Attribute kFrameTypeSequence{0x0018, 0x9329, "CT Image Frame Type Sequence"};
inline constexpr Attribute kStudyInstance{0x0020, 0x000d, "Study Instance UID"};
inline constexpr Attribute kSeriesInstance{0x0020, 0x000e, "Series Instance UID"};
inline constexpr Attribute kSeriesNumber{0x0020, 0x0011, "Series Number"};
inline constexpr Attribute kAcquisitionNumber{0x0020, 0x0012, "Acquisition Number"};
inline constexpr Attribute kPatientOrientation{0x0020, 0x0020, "Patient Orientation"};
inline constexpr Attribute kPosition{0x0020, 0x0032, "Image Position (Patient)"};
inline constexpr Attribute kOrientation{0x0020, 0x0037, "Image Orientation (Patient)"};
inline constexpr Attribute kFrameOfReference{0x0020, 0x0052, "Frame of Reference UID"};
inline constexpr Attribute kLaterality{0x0020, 0x0060, "Laterality"};
inline constexpr Attribute kImageLaterality{0x0020, 0x0062, "Image Laterality"};
inline constexpr Attribute kTemporalPosition{0x0020, 0x0100, "Temporal Position Identifier"};
inline constexpr Attribute kImageComments{0x0020, 0x4000, "Image Comments"};
inline constexpr Attribute kStackId{0x0020, 0x9056, "Stack ID"};
inline constexpr Attribute kFrameAnatomySequence{0x0020, 0x9071, "Frame Anatomy Sequence"};
inline constexpr Attribute kFrameLaterality{0x0020, 0x9072, "Frame Laterality"};
inline constexpr Attribute kFrameContentSequence{0x0020, 0x9111, "Frame Content Sequence"};
inline constexpr Attribute kPlanePositionSequence{0x0020, 0x9113, "Plane Position Sequence"};
inline constexpr Attribute kPlaneOrientationSequence{0x0020, 0x9116, "Plane Orientation Sequence"};
inline constexpr Attribute kTemporalIndex{0x0020, 0x9128, "Temporal Position Index"};
inline constexpr Attribute kFrameAcquisition{0x0020, 0x9156, "Frame Acquisition Number"};
inline constexpr Attribute kSamplesPerPixel{0x0028, 0x0002, "Samples per Pixel"};
inline constexpr Attribute kPhotometric{0x0028, 0x0004, "Photometric Interpretation"};
inline constexpr Attribute kNumberOfFrames{0x0028, 0x0008, "Number of Frames"};
inline constexpr Attribute kRows{0x0028, 0x0010, "Rows"};
inline constexpr Attribute kColumns{0x0028, 0x0011, "Columns"};
inline constexpr Attribute kPixelSpacing{0x0028, 0x0030, "Pixel Spacing"};
inline constexpr Attribute kPixelAspect{0x0028, 0x0034, "Pixel Aspect Ratio"};
inline constexpr Attribute kBitsAllocated{0x0028, 0x0100, "Bits Allocated"};
inline constexpr Attribute kBitsStored{0x0028, 0x0101, "Bits Stored"};
inline constexpr Attribute kHighBit{0x0028, 0x0102, "High Bit"};
inline constexpr Attribute kPixelRepresentation{0x0028, 0x0103, "Pixel Representation"};
inline constexpr Attribute kPadding{0x0028, 0x0120, "Pixel Padding Value"};
inline constexpr Attribute kPaddingLimit{0x0028, 0x0121, "Pixel Padding Range Limit"};
inline constexpr Attribute kQualityControl{0x0028, 0x0300, "Quality Control Image"};
inline constexpr Attribute kBurnedIn{0x0028, 0x0301, "Burned In Annotation"};
inline constexpr Attribute kCalibrationType{0x0028, 0x0a02, "Pixel Spacing Calibration Type"};
inline constexpr Attribute kIntensitySign{0x0028, 0x1041, "Pixel Intensity Relationship Sign"};
inline constexpr Attribute kWindowCentre{0x0028, 0x1050, "Window Center"};
inline constexpr Attribute kWindowWidth{0x0028, 0x1051, "Window Width"};
inline constexpr Attribute kIntercept{0x0028, 0x1052, "Rescale Intercept"};
inline constexpr Attribute kSlope{0x0028, 0x1053, "Rescale Slope"};
inline constexpr Attribute kRescaleType{0x0028, 0x1054, "Rescale Type"};
inline constexpr Attribute kVoiFunction{0x0028, 0x1056, "VOI LUT Function"};
inline constexpr Attribute kLossy{0x0028, 0x2110, "Lossy Image Compression"};
inline constexpr Attribute kModalityLut{0x0028, 0x3000, "Modality LUT Sequence"};
inline constexpr Attribute kLutDescriptor{0x0028, 0x3002, "LUT Descriptor"};
inline constexpr Attribute kLutData{0x0028, 0x3006, "LUT Data"};
inline constexpr Attribute kVoiLut{0x0028, 0x3010, "VOI LUT Sequence"};
inline constexpr Attribute kPixelMeasuresSequence{0x0028, 0x9110, "Pixel Measures Sequence"};
inline constexpr Attribute kPixelTransformSequence{0x0028, 0x9145, "Pixel Value Transformation Sequence"};
inline constexpr Attribute kPerformedStep{0x0040, 0x0254, "Performed Procedure Step Description"};
inline constexpr Attribute kViewCode{0x0054, 0x0220, "View Code Sequence"};
inline constexpr Attribute kLutShape{0x2050, 0x0020, "Presentation LUT Shape"};
inline constexpr Attribute kSharedGroups{0x5200, 0x9229, "Shared Functional Groups Sequence"};
inline constexpr Attribute kPerFrameGroups{0x5200, 0x9230, "Per-frame Functional Groups Sequence"};
inline constexpr Attribute kPixelData{0x7fe0, 0x0010, "Pixel Data"};
}  // namespace attr

}  // namespace rayset::dicom
