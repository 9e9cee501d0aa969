#include "dicom/film_reader.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <new>

#include "dicom/attributes.h"
#include "dicom/dataset.h"
#include "dicom/dcmtk_setup.h"
#include "dicom/film_words.h"
#include "dicom/nesting.h"
#include "dicom/pixels.h"
#include "dicom/text.h"

namespace rayset {
namespace {

namespace fs = std::filesystem;
using namespace dicom;

constexpr const char* kAsk = "dicom.ask_original_radiograph_archive_copy_lacks";
// Half widths of the 95 % interval of the scale, by where it comes from; ours. A ball or a ruler is read to about a
// pixel at each end and may lie some millimetres off the plane of the joints; distances are accurate to about a
// centimetre.
constexpr double kFiducialError = 0.02, kGeometryError = 0.03, kCalibratedError = 0.05, kMagnificationError = 0.03;
constexpr double kUncorrectedError = kMostMagnification - 1;

/// The value in UTF-8.
std::string words(DcmItem& item, const Attribute& a, const std::string& character_set) {
  return toUtf8(text(item, a), character_set);
}
std::optional<double> decimal(DcmItem& item, const Attribute& a) {
  const std::string value = text(item, a);
  return parseDecimal(splitValues(value).front());
}

struct Class {
  FilmKind kind;
  bool multi_frame;
};
std::optional<Class> classOf(const std::string& uid) {
  if (uid == UID_DigitalXRayImageStorageForPresentation) return Class{FilmKind::kDigital, false};
  if (uid == UID_DigitalXRayImageStorageForProcessing) return Class{FilmKind::kDigitalRaw, false};
  if (uid == UID_ComputedRadiographyImageStorage) return Class{FilmKind::kComputed, false};
  if (uid == UID_XRayRadiofluoroscopicImageStorage) return Class{FilmKind::kFluoroscopy, true};
  if (uid == UID_XRayAngiographicImageStorage) return Class{FilmKind::kAngiography, true};
  if (uid == UID_SecondaryCaptureImageStorage) return Class{FilmKind::kSecondaryCapture, false};
  if (uid == UID_MultiframeGrayscaleByteSecondaryCaptureImageStorage ||
      uid == UID_MultiframeGrayscaleWordSecondaryCaptureImageStorage)
    return Class{FilmKind::kSecondaryCapture, true};
  return std::nullopt;
}

/// A look-up table (C.11.1.1, C.11.2.1.1).
struct Lut {
  int first = 0;
  int bits = 16;
  std::vector<std::uint16_t> values;
};
std::optional<Lut> readLut(DcmItem& item, bool is_signed, Checker& check) {
  const auto parts = splitValues(text(item, attr::kLutDescriptor));
  const Uint16* data = nullptr;
  unsigned long count = 0;
  const bool there = item.findAndGetUint16Array(key(attr::kLutData), data, &count).good() && data != nullptr;
  std::vector<long long> numbers;
  for (const std::string& part : parts)
    if (const auto n = parseInteger(part)) numbers.push_back(*n);
  Lut lut;
  if (numbers.size() == 3) {
    const auto entries = static_cast<unsigned long>(numbers[0] == 0 ? 65536 : numbers[0] & 0xffff);
    // The first value mapped is US or SS as the pixels are; writers mix them up, so only the 16 bits count.
    const auto word = static_cast<std::uint16_t>(numbers[1] & 0xffff);
    lut.first = is_signed ? static_cast<int>(static_cast<std::int16_t>(word)) : static_cast<int>(word);
    lut.bits = static_cast<int>(numbers[2]);
    if (there && lut.bits >= 8 && lut.bits <= 16) {
      if (count == entries) {
        lut.values.assign(data, data + count);
      } else if (lut.bits == 8 && count == (entries + 1) / 2) {  // two eight-bit entries a word
        for (unsigned long i = 0; i < entries; ++i)
          lut.values.push_back(static_cast<std::uint16_t>(i % 2 == 0 ? data[i / 2] & 0xff : data[i / 2] >> 8));
      }
    }
  }
  if (lut.values.empty()) {
    check.fault(attr::kLutDescriptor, Message("dicom.look_up_table_does_not_fit"), kAsk);
    return std::nullopt;
  }
  return lut;
}

/// Two positive numbers: between rows, between columns.
std::optional<std::array<double, 2>> spacingPair(DcmItem& item, const Attribute& a, std::vector<Message>& cautions) {
  const std::string value = text(item, a);
  if (value.empty()) return std::nullopt;
  std::array<double, 2> pair{};
  const auto parts = splitValues(value);
  const auto first = parseDecimal(parts.front()), second = parseDecimal(parts.back());
  // Pixels of films are some 0.05 to 0.5 mm; a value far off is a wrong unit or a placeholder.
  constexpr double kLeast = 0.005, kMost = 3;
  if (parts.size() != 2 || !first || !second || *first < kLeast || *second < kLeast || *first > kMost ||
      *second > kMost) {
    cautions.push_back(Message("dicom.no_radiograph_has_left_aside",
                               {{"label", label(a)}, {"to_utf8", toUtf8(value.substr(0, 40), "")}}));
    return std::nullopt;
  }
  pair = {*first, *second};
  return pair;
}

bool same(const std::array<double, 2>& a, const std::array<double, 2>& b) {
  return std::abs(a[0] - b[0]) < 1e-3 * a[0] && std::abs(a[1] - b[1]) < 1e-3 * a[1];
}

void readSpacing(DcmDataset& data, FilmInfo& info, std::vector<Message>& cautions) {
  using Origin = FilmSpacing::Origin;
  const auto pixel = spacingPair(data, attr::kPixelSpacing, cautions);
  const auto imager = spacingPair(data, attr::kImagerSpacing, cautions);
  const auto scanned = spacingPair(data, attr::kScannedSpacing, cautions);
  const std::string type = lower(text(data, attr::kCalibrationType));
  FilmSpacing& s = info.spacing;
  const auto set = [&](Origin origin, std::array<double, 2> mm, double error, bool too_large, Message words) {
    s.origin = origin;
    s.row_mm = mm[0];
    s.column_mm = mm[1];
    s.relative_95 = error;
    s.too_large = too_large;
    s.text = std::move(words);
  };
  // The magnification given by the file, directly or by its distances.
  std::optional<double> magnification;
  Message from;
  if (info.magnification) {
    if (*info.magnification >= 1 && *info.magnification < 2) {
      magnification = info.magnification;
      from = Message::quoted(label(attr::kMagnification));
    } else {
      cautions.push_back(Message("dicom.cannot_left_aside", {{"label", label(attr::kMagnification)},
                                                             {"magnification", plain(*info.magnification)}}));
    }
  }
  if (!magnification && info.source_detector_mm && info.source_patient_mm) {
    const double m = *info.source_detector_mm / *info.source_patient_mm;
    if (m >= 1 && m < 2) {
      magnification = m;
      from = {"dicom.ratio", {{"first", label(attr::kSourceDetector)}, {"second", label(attr::kSourcePatient)}}};
    } else {
      cautions.push_back(Message("dicom.distances_source_detector_patient_do_not",
                                 {{"source_detector", mm(*info.source_detector_mm, -1)},
                                  {"source_patient", mm(*info.source_patient_mm, -1)}}));
    }
  }
  if (magnification && *magnification < 1.0005) {  // a placeholder: the foot cannot lie in the detector
    magnification.reset();
    if (imager) cautions.push_back(Message("dicom.says_1_nothing_lies_detector_itself", {{"from", from}}));
  }
  if (pixel && type == "fiducial")
    return set(Origin::kFiducial, *pixel, kFiducialError, false,
               Message("dicom.calibrated_object_known_size", {{"label", label(attr::kPixelSpacing)}}));
  if (pixel && type == "geometry")
    return set(Origin::kGeometry, *pixel, kGeometryError, false,
               Message("dicom.calibrated_geometry_exposure", {{"label", label(attr::kPixelSpacing)}}));
  if (pixel && imager && !same(*pixel, *imager))
    return set(Origin::kCalibrated, *pixel, kCalibratedError, false,
               Message("dicom.calibrated_way_file_does_not_tell",
                       {{"label", label(attr::kPixelSpacing)}, {"label_2", label(attr::kImagerSpacing)}}));
  if (imager && magnification)
    return set(Origin::kMagnification, {(*imager)[0] / *magnification, (*imager)[1] / *magnification},
               kMagnificationError, false,
               Message("dicom.divided_magnification", {{"label", label(attr::kImagerSpacing)},
                                                       {"magnification", number(*magnification, 3)},
                                                       {"from", from}}));
  if (imager)
    return set(Origin::kDetector, *imager, kUncorrectedError, true,
               Message("dicom.detector_magnification_not_told", {{"label", label(attr::kImagerSpacing)}}));
  if (pixel)
    return set(Origin::kUnstated, *pixel, kUncorrectedError, true,
               Message("dicom.not_said_whether_detector_foot", {{"label", label(attr::kPixelSpacing)}}));
  if (scanned)
    return set(Origin::kScanned, *scanned, kUncorrectedError, true,
               Message("dicom.scanned_sheet_magnification_not_told", {{"label", label(attr::kScannedSpacing)}}));
}

void readAspect(DcmDataset& data, FilmInfo& info) {
  if (info.spacing.known()) {
    info.aspect = info.spacing.row_mm / info.spacing.column_mm;
    return;
  }
  const auto parts = splitValues(text(data, attr::kPixelAspect));  // vertical \ horizontal
  if (parts.size() != 2) return;
  const auto vertical = parseDecimal(parts[0]), horizontal = parseDecimal(parts[1]);
  if (vertical && horizontal && *vertical > 0 && *horizontal > 0) info.aspect = *vertical / *horizontal;
}

void readTexts(DcmDataset& data, FilmInfo& info) {
  const std::string set = text(data, attr::kCharacterSet);
  info.patient_name = toUtf8(text(data, attr::kPatientName), set, "^=");
  info.patient_id = words(data, attr::kPatientId, set);
  info.patient_sex = words(data, attr::kPatientSex, set);
  info.patient_birth_date = words(data, attr::kPatientBirthDate, set);
  info.study_uid = words(data, attr::kStudyInstance, set);
  info.study_date = words(data, attr::kStudyDate, set);
  info.study_description = words(data, attr::kStudyDescription, set);
  info.accession = words(data, attr::kAccession, set);
  info.series_uid = words(data, attr::kSeriesInstance, set);
  info.series_description = words(data, attr::kSeriesDescription, set);
  info.series_number = words(data, attr::kSeriesNumber, set);
  info.instance_uid = words(data, attr::kSopInstance, set);
  info.content_date = words(data, attr::kContentDate, set);
  info.manufacturer = words(data, attr::kManufacturer, set);
  info.model = words(data, attr::kModel, set);
  info.body_part = words(data, attr::kBodyPart, set);
  info.view_position = words(data, attr::kViewPosition, set);
  info.patient_orientation = words(data, attr::kPatientOrientation, set);
  info.protocol = words(data, attr::kProtocol, set);
  info.derivation = words(data, attr::kDerivation, set);
  info.comments = words(data, attr::kImageComments, set);
  info.quality_control = text(data, attr::kQualityControl) == "YES";
  std::string laterality = text(data, attr::kImageLaterality);
  if (laterality.empty()) laterality = text(data, attr::kLaterality);
  if (laterality == "R") info.side = Side::kRight;
  if (laterality == "L") info.side = Side::kLeft;
  info.both_sides = laterality == "B";
  if (DcmItem* view = firstItem(data, attr::kViewCode)) info.view_code_meaning = words(*view, attr::kCodeMeaning, set);
  // From the most to the least specific: what is said of this image, of the series, of the study.
  const std::pair<Attribute, std::string> says[] = {{attr::kViewCode, info.view_code_meaning},
                                                    {attr::kViewPosition, info.view_position},
                                                    {attr::kProcessing, words(data, attr::kProcessing, set)},
                                                    {attr::kSeriesDescription, info.series_description},
                                                    {attr::kProtocol, info.protocol},
                                                    {attr::kPerformedStep, words(data, attr::kPerformedStep, set)},
                                                    {attr::kImageComments, info.comments},
                                                    {attr::kStudyDescription, info.study_description}};
  for (const auto& [attribute, value] : says) {
    if (!info.view && (info.view = viewIn(value))) {
      info.view_from = fmt::format("{} '{}'", label(attribute), value);
      info.lateromedial = *info.view == FilmView::kLateral && lateromedialIn(value);
    }
    if (!info.weight_bearing && (info.weight_bearing = weightBearingIn(value)))
      info.weight_bearing_from = fmt::format("{} '{}'", label(attribute), value);
  }
}

void readGeometry(DcmDataset& data, FilmInfo& info) {
  const auto positive = [&](const Attribute& a) {
    auto value = decimal(data, a);
    if (value && !(*value > 0)) value.reset();
    return value;
  };
  info.source_detector_mm = positive(attr::kSourceDetector);
  info.source_patient_mm = positive(attr::kSourcePatient);
  info.magnification = positive(attr::kMagnification);
  info.primary_angle_deg = decimal(data, attr::kPrimaryAngle);
  info.secondary_angle_deg = decimal(data, attr::kSecondaryAngle);
  info.kvp = decimal(data, attr::kKvp).value_or(0);
}

/// Rectangular collimator given in the header (C.8.7.3; one-based edges outside of which nothing was exposed).
std::optional<FilmField> headerField(DcmDataset& data, int columns, int rows) {
  if (text(data, attr::kCollimatorShape).find("RECTANGULAR") == std::string::npos) return std::nullopt;
  const auto edge = [&](const Attribute& a) { return parseInteger(text(data, a)); };
  const auto left = edge(attr::kCollimatorLeft), right = edge(attr::kCollimatorRight);
  const auto upper = edge(attr::kCollimatorUpper), lower_edge = edge(attr::kCollimatorLower);
  if (!left || !right || !upper || !lower_edge) return std::nullopt;
  FilmField f{FilmField::Origin::kHeader, 0, 0, 0, 0};
  f.left = static_cast<int>(std::clamp<long long>(*left, 0, columns));
  f.right = static_cast<int>(std::clamp<long long>(*right - 1, 0, columns));
  f.top = static_cast<int>(std::clamp<long long>(*upper, 0, rows));
  f.bottom = static_cast<int>(std::clamp<long long>(*lower_edge - 1, 0, rows));
  if (f.right - f.left < columns / 20 || f.bottom - f.top < rows / 20) return std::nullopt;  // nonsense
  if (f.left == 0 && f.top == 0 && f.right == columns && f.bottom == rows) return std::nullopt;
  return f;
}

void readTone(DcmDataset& data, bool is_signed, Checker& check, FilmTone& tone) {
  if (DcmItem* item = firstItem(data, attr::kVoiLut)) {
    if (const auto lut = readLut(*item, is_signed, check)) {
      tone.lut_first = lut->first;
      const float full = static_cast<float>((1 << lut->bits) - 1);
      for (const auto v : lut->values) tone.lut.push_back(std::min(1.0F, static_cast<float>(v) / full));
      return;
    }
    check.defect.reset();  // only for display: an invalid one is ignored
  }
  const auto centre = decimal(data, attr::kWindowCentre), width = decimal(data, attr::kWindowWidth);
  const std::string curve = text(data, attr::kVoiFunction);
  tone.curve = curve == "SIGMOID"        ? FilmTone::Curve::kSigmoid
               : curve == "LINEAR_EXACT" ? FilmTone::Curve::kLinearExact
                                         : FilmTone::Curve::kLinear;
  if (!centre || !width || !(*width > (tone.curve == FilmTone::Curve::kLinear ? 1 - 1e-9 : 0))) return;
  tone.has_window = true;
  tone.centre = *centre;
  tone.width = *width;
}

/// Whether grey values must be inverted for bone to be bright.
bool mustTurn(DcmDataset& data, FilmKind kind, std::vector<Message>& cautions) {
  const std::string photometric = text(data, attr::kPhotometric);
  const bool one = photometric == "MONOCHROME1";
  const bool for_show =
      kind == FilmKind::kDigital || kind == FilmKind::kComputed || kind == FilmKind::kSecondaryCapture;
  if (for_show) {
    // C.8.11.3: INVERSE goes with MONOCHROME1 and IDENTITY with MONOCHROME2.
    const std::string shape = text(data, attr::kLutShape);
    if (shape == "INVERSE" && !one) {
      cautions.push_back(Message("dicom.inverse_although_image_turned_over_check",
                                 {{"label", label(attr::kLutShape)}, {"photometric", photometric}}));
      return true;
    }
    if (shape == "IDENTITY" && one)
      cautions.push_back(
          Message("dicom.identity_although_image_monochrome1_turned_over", {{"label", label(attr::kLutShape)}}));
    return one;
  }
  // Raw and fluoroscopic images are not meant for display as they are: physics decides if it is given. C.8.11.3: +1
  // means that lower values are less X-ray intensity behind the patient, so bone is low.
  const std::string sign = text(data, attr::kIntensitySign);
  if (sign == "1" || sign == "-1") {
    const bool turn = sign == "1";
    if (turn != one)
      cautions.push_back(Message("dicom.shown_stored_bone_would_dark_image", {{"label", label(attr::kPhotometric)},
                                                                              {"photometric", photometric},
                                                                              {"label_2", label(attr::kIntensitySign)},
                                                                              {"sign", sign},
                                                                              {"turned", turn ? "yes" : "no"}}));
    return turn;
  }
  return one;
}

std::vector<float> sortedSample(const Film& film, const FilmField& f) {
  std::vector<float> sample;
  const int step =
      std::max(1, static_cast<int>(std::sqrt((f.right - f.left) * static_cast<double>(f.bottom - f.top) / 1e5)));
  for (int r = f.top; r < f.bottom; r += step)
    for (int c = f.left; c < f.right; c += step) sample.push_back(film.at(c, r));
  std::sort(sample.begin(), sample.end());
  return sample;
}
float percentile(const std::vector<float>& sorted, double p) {
  return sorted[static_cast<std::size_t>(p * static_cast<double>(sorted.size() - 1))];
}

/// Values at the maximum, in a sorted sample of the field.
void checkClipping(FilmScan& scan, const std::vector<float>& sample) {
  const float top = sample.back(), bottom = sample.front();
  // Background: values within 2 % of the range of the darkest one.
  const float background = bottom + 0.02F * (top - bottom);
  std::size_t at_top = 0, exposed = 0;
  for (const float v : sample) {
    exposed += v > background ? 1 : 0;
    at_top += v >= top ? 1 : 0;
  }
  scan.info.clipped_bright = exposed > 0 ? static_cast<double>(at_top) / static_cast<double>(exposed) : 0;
  constexpr double kClipped = 0.02;  // ours: a lead marker alone is about 1 % of the picture
  if (scan.info.clipped_bright > kClipped)
    scan.cautions.push_back(Message("dicom.exposed_picture_stand_brightest_value_exposure",
                                    {{"clipped_bright", percent(100 * scan.info.clipped_bright)}}));
}

/// Air surrounds a foot: the rim of the exposed field is darker than its middle. `range`: of the values there.
void checkPolarity(FilmScan& scan, float range) {
  const Film& film = scan.film;
  const FilmField& f = scan.info.field;
  const int rim = std::max(2, std::min(f.right - f.left, f.bottom - f.top) / 25);
  std::vector<float> edge, middle;
  const int step = std::max(1, (f.right - f.left) / 300);
  for (int r = f.top; r < f.bottom; r += step)
    for (int c = f.left; c < f.right; c += step) {
      const int in = std::min({r - f.top, f.bottom - 1 - r, c - f.left, f.right - 1 - c});
      if (in < rim)
        edge.push_back(film.at(c, r));
      else if (std::abs(2 * c - f.left - f.right) < (f.right - f.left) / 2 &&
               std::abs(2 * r - f.top - f.bottom) < (f.bottom - f.top) / 2)
        middle.push_back(film.at(c, r));
    }
  if (edge.size() <= 20 || middle.size() <= 20) return;
  std::sort(edge.begin(), edge.end());
  std::sort(middle.begin(), middle.end());
  if (percentile(edge, 0.5) > percentile(middle, 0.5) + 0.05F * range)
    scan.cautions.emplace_back(Message("dicom.rim_picture_brighter_middle_bone_may"));
}

/// From stored values to those of the Modality LUT or of rescaling.
struct ModalityScale {
  std::optional<Lut> lut;
  double slope = 1, intercept = 0;

  [[nodiscard]] float operator()(int stored) const {
    if (!lut) return static_cast<float>(slope * stored + intercept);
    const auto last = static_cast<int>(lut->values.size()) - 1;
    return static_cast<float>(lut->values[static_cast<std::size_t>(std::clamp(stored - lut->first, 0, last))]);
  }
  /// The sum of the least and the greatest value there can be: a value is inverted by subtracting it from this.
  [[nodiscard]] double pivot(int low, int high) const {
    return lut ? static_cast<double>((1 << lut->bits) - 1) : slope * (static_cast<double>(low) + high) + 2 * intercept;
  }
};

/// Reads one file step by step; read() shows the order.
class FilmReader {
 public:
  FilmReader(const fs::path& path, const FilmReadSettings& settings)
      : path_(path), settings_(settings), name_(toUtf8(path.filename().string(), "")) {}

  Result<FilmScan> read();

 private:
  Status loadHeader(Look look);
  Status readClass();
  Status readSecondaryCapture();
  [[nodiscard]] Status checkGrey();
  Status readFormat();
  Status chooseFrame();
  void readInfo();
  void warnOfOrigin();
  Result<ModalityScale> readModality();
  Status readPixels(const ModalityScale& scale);
  void readField();
  [[nodiscard]] Status checkContrast(const std::vector<float>& sample, const ModalityScale& scale) const;

  [[nodiscard]] tl::unexpected<Error> foreign() const {
    return fail(Fault::kImages, "dicom.file_not_dicom", name_, Message("dicom.give_dicom_file_radiograph_dx_cr"));
  }
  [[nodiscard]] std::string at(const Attribute& a) const { return name_ + ", " + label(a); }
  [[nodiscard]] Status checked() const {
    if (check_.defect) return tl::unexpected(*check_.defect);
    return {};
  }
  [[nodiscard]] DcmDataset& data() { return *format_.getDataset(); }
  [[nodiscard]] int lowest() const { return pixels().is_signed ? -(1 << (pixels().bits_stored - 1)) : 0; }
  [[nodiscard]] int highest() const {
    return pixels().is_signed ? (1 << (pixels().bits_stored - 1)) - 1 : (1 << pixels().bits_stored) - 1;
  }
  [[nodiscard]] const PixelFormat& pixels() const { return file_.pixels; }

  fs::path path_;
  FilmReadSettings settings_;
  std::string name_;
  DcmFileFormat format_;
  bool multi_frame_ = false;  // as its class may be
  ScanFile file_;
  Checker check_{name_, "dicom.radiograph", kAsk};
  FilmScan scan_;
};

Result<FilmScan> FilmReader::read() {
  std::error_code error;
  if (!fs::exists(path_, error))
    return fail(Fault::kRequest, "dicom.no_such_file", toUtf8(path_.string(), ""),
                Message("dicom.give_dicom_file_radiograph"));
  if (fs::is_directory(path_, error))
    return fail(Fault::kRequest, "dicom.folder_not_file", toUtf8(path_.string(), ""),
                Message("dicom.give_radiographs_one_one"));
  if (Status ok = loadHeader(lookAt(path_)); !ok) return tl::unexpected(ok.error());
  if (Status ok = readClass(); !ok) return tl::unexpected(ok.error());
  if (Status ok = checkGrey(); !ok) return tl::unexpected(ok.error());
  if (Status ok = readFormat(); !ok) return tl::unexpected(ok.error());
  if (Status ok = chooseFrame(); !ok) return tl::unexpected(ok.error());
  readInfo();
  warnOfOrigin();
  const auto scale = readModality();
  if (!scale) return tl::unexpected(scale.error());
  if (Status ok = readPixels(*scale); !ok) return tl::unexpected(ok.error());
  readField();
  const std::vector<float> sample = sortedSample(scan_.film, scan_.info.field);
  if (Status ok = checkContrast(sample, *scale); !ok) return tl::unexpected(ok.error());
  checkClipping(scan_, sample);
  checkPolarity(scan_, sample.back() - sample.front());
  return std::move(scan_);
}

Status FilmReader::loadHeader(Look look) {
  if (look == Look::kUnreadable)
    return fail(Fault::kRequest, "dicom.file_cannot_opened", name_, Message("dicom.check_permissions"));
  if (look == Look::kForeign) return foreign();
  if (const Message fault = faultOf(structureOf(path_)); !fault.empty())
    return fail(Fault::kImages, {"dicom.film_is", {{"fault", fault}}}, name_, kExportAgain);
  const OFCondition status = format_.loadFileUntilTag(path_.c_str(), EXS_Unknown, EGL_noChange, DCM_MaxReadLength,
                                                      ERM_autoDetect, DCM_PixelData);
  if (status.good()) return {};
  if (look == Look::kMaybeDicom && text(data(), attr::kSopClass).empty()) return foreign();
  return fail(Fault::kImages, Message("dicom.header_cannot_read_end", {{"text", status.text()}}), name_, kExportAgain);
}

Status FilmReader::readClass() {
  const std::string sop_class = text(data(), attr::kSopClass);
  const auto found = classOf(sop_class);
  if (!found) {
    const std::string modality = text(data(), attr::kModality);
    const Message kind =
        sop_class.empty()
            ? (modality.empty() ? Message("dicom.dicom_file_without_sop_class_uid")
                                : Message("dicom.file_without_sop_class_uid", {{"to_utf8", toUtf8(modality, "")}}))
            : nameOfClass(sop_class);
    return fail(Fault::kImages, Message("dicom.no_plane_radiograph_but", {{"kind", kind}}), at(attr::kSopClass),
                sop_class == UID_CTImageStorage || sop_class == UID_EnhancedCTImageStorage
                    ? Message("dicom.use_rayset_plan_ct")
                    : Message("dicom.give_radiograph_dx_cr_rf_xa"));
  }
  scan_.info.file = name_;
  scan_.info.kind = found->kind;
  multi_frame_ = found->multi_frame;
  return found->kind == FilmKind::kSecondaryCapture ? readSecondaryCapture() : Status{};
}

Status FilmReader::readSecondaryCapture() {
  const std::string modality = text(data(), attr::kModality), conversion = text(data(), attr::kConversionType);
  const bool radiograph = modality == "CR" || modality == "DX" || modality == "RF" || modality == "XA" ||
                          modality == "RG" || conversion == "DF";
  if (!radiograph)
    return fail(Fault::kImages,
                Message("dicom.secondary_capture_whose_modality_nothing_says", {{"to_utf8", toUtf8(modality, "")}}),
                at(attr::kModality), Message("dicom.give_original_radiograph"));
  scan_.cautions.push_back(
      Message("dicom.file_secondary_capture_grey_values_size",
              {{"to_utf8", toUtf8(modality, "")}, {"kind", conversion == "DF" ? "film" : "copy"}}));
  return {};
}

Status FilmReader::checkGrey() {
  const auto samples = parseInteger(text(data(), attr::kSamplesPerPixel)).value_or(1);
  const std::string photometric = text(data(), attr::kPhotometric);
  if (samples == 1 && photometric.starts_with("MONOCHROME")) return {};
  return fail(Fault::kImages,
              photometric.empty() ? Message("dicom.photometric_interpretation_missing_unknown_whether_bone")
                                  : Message("dicom.picture_colour", {{"to_utf8", toUtf8(photometric, "")}}),
              at(attr::kPhotometric), Message("dicom.give_original_radiograph_not_screen_picture"));
}

/// How the pixels are stored.
Status FilmReader::readFormat() {
  file_.path = path_;
  file_.name = name_;
  const DcmXfer syntax(data().getOriginalXfer());
  file_.pixels.encapsulated = syntax.isEncapsulated();
  file_.pixels.deflated = syntax.getXfer() == EXS_DeflatedLittleEndianExplicit;
  if (!supportedSyntax(syntax.getXfer())) {
    OFString uid;
    format_.getMetaInfo()->findAndGetOFString(DCM_TransferSyntaxUID, uid);
    return fail(Fault::kImages,
                Message("dicom.pixels_stored_program_cannot_read", {{"syntax_text", syntaxText(syntax, uid.c_str())}}),
                at(attr::kTransferSyntax), kUncompressed);
  }
  scan_.info.lossy = lossySyntax(syntax.getXfer()) || text(data(), attr::kLossy) == "01";
  readPixelFormat(data(), check_, file_.pixels);
  return checked();
}

Status FilmReader::chooseFrame() {
  FilmInfo& info = scan_.info;
  const auto frames = pixels().frames;
  if (frames > 1 && !multi_frame_) {
    check_.fault(attr::kNumberOfFrames,
                 Message("dicom.has_one_frame_one_says", {{"name_of", nameOf(info.kind)}, {"frames", frames}}),
                 kExportAgain);
    return checked();
  }
  if (settings_.frame < 0 || settings_.frame > frames)
    return fail(Fault::kRequest,
                Message("dicom.frame_asked_file_has", {{"frame", settings_.frame}, {"frames", frames}}), name_,
                Message("dicom.give_frame_1", {{"frames", frames}}));
  info.frames = static_cast<int>(frames);
  info.frame = std::max(1, settings_.frame);
  if (frames > 1 && settings_.frame == 0)
    scan_.cautions.push_back(Message("dicom.file_holds_frames_first_used_choose", {{"frames", frames}}));
  return {};
}

void FilmReader::readInfo() {
  readTexts(data(), scan_.info);
  readGeometry(data(), scan_.info);
  readSpacing(data(), scan_.info, scan_.cautions);
  readAspect(data(), scan_.info);
  readTone(data(), pixels().is_signed, check_, scan_.info.tone);
}

/// Facts from the header that a viewer of the picture should know.
void FilmReader::warnOfOrigin() {
  const FilmInfo& info = scan_.info;
  auto& cautions = scan_.cautions;
  if (info.kind == FilmKind::kDigitalRaw) cautions.emplace_back(Message("dicom.file_raw_image_processing_may_look"));
  if (info.lossy)
    cautions.push_back(Message("dicom.image_compressed_loss_fine_edges_may", {{"label", label(attr::kLossy)}}));
  if (text(data(), attr::kBurnedIn) == "YES")
    cautions.push_back(Message("dicom.yes_text_drawn_into_picture_may", {{"label", label(attr::kBurnedIn)}}));
  static constexpr std::array<const char*, 7> kOfTheFoot{"foot",      "feet",      "toe", "ankle",
                                                         "calcaneus", "extremity", "leg"};
  const std::string part = lower(info.body_part);
  if (!part.empty() && std::none_of(kOfTheFoot.begin(), kOfTheFoot.end(),
                                    [&](const char* word) { return part.find(word) != std::string::npos; }))
    cautions.push_back(Message("dicom.not_foot", {{"label", label(attr::kBodyPart)}, {"body_part", info.body_part}}));
}

Result<ModalityScale> FilmReader::readModality() {
  ModalityScale scale;
  if (DcmItem* item = firstItem(data(), attr::kModalityLut)) {
    scale.lut = readLut(*item, pixels().is_signed, check_);
  } else {
    scale.slope = decimal(data(), attr::kSlope).value_or(1);
    scale.intercept = decimal(data(), attr::kIntercept).value_or(0);
    if (scale.slope == 0 || std::abs(scale.slope) > 1e6 || std::abs(scale.intercept) > 1e9)
      check_.fault(attr::kSlope,
                   Message("dicom.rescale_slope_rescale_intercept_cannot",
                           {{"slope", plain(scale.slope)}, {"intercept", plain(scale.intercept)}}),
                   kAsk);
  }
  if (Status ok = checked(); !ok) return tl::unexpected(ok.error());
  return scale;
}

Status FilmReader::readPixels(const ModalityScale& scale) {
  const PixelFormat& p = pixels();
  // The bytes are checked before memory is allocated for the picture, so that absurd sizes fail here.
  const double bytes = static_cast<double>(p.bytesPerFrame()) * static_cast<double>(p.frames);
  std::error_code error;
  if (!p.encapsulated && !p.deflated && bytes > static_cast<double>(fs::file_size(path_, error)))
    return fail(Fault::kImages,
                Message("dicom.pixel_data_cut_short_rows_columns",
                        {{"rows", p.rows}, {"columns", p.columns}, {"frames", p.frames}}),
                at(attr::kPixelData), kExportAgain);
  const auto stored = decodeStored(file_, scan_.info.frame - 1);
  if (!stored) return tl::unexpected(stored.error());
  FilmTone& tone = scan_.info.tone;
  tone.turned = mustTurn(data(), scan_.info.kind, scan_.cautions);
  tone.pivot = scale.pivot(lowest(), highest());
  scan_.film = Film(p.columns, p.rows);
  std::vector<std::size_t> padding;
  float least = 0;
  bool any = false;
  for (std::size_t i = 0; i < stored->size(); ++i) {
    const int v = (*stored)[i];
    const float m = scale(v);
    const float value = tone.turned ? static_cast<float>(tone.pivot) - m : m;
    scan_.film.values[i] = value;
    if (p.has_padding && v >= p.padding_low && v <= p.padding_high) {
      padding.push_back(i);
    } else if (!any || value < least) {
      least = value;
      any = true;
    }
  }
  for (const std::size_t i : padding) scan_.film.values[i] = least;  // not exposed: as dark as it gets
  return {};
}

/// The part that was exposed.
void FilmReader::readField() {
  const Film& film = scan_.film;
  FilmField& field = scan_.info.field;
  const auto told = headerField(data(), film.columns, film.rows);
  field = findField(film);
  if (told && field.origin == FilmField::Origin::kWhole) field = *told;
  if (field.origin != FilmField::Origin::kWhole)
    scan_.cautions.push_back(Message("dicom.only_columns_rows_exposed_nothing_can",
                                     {{"left", field.left},
                                      {"right", field.right - 1},
                                      {"top", field.top},
                                      {"bottom", field.bottom - 1},
                                      {"columns", film.columns},
                                      {"rows", film.rows},
                                      {"from", field.origin == FilmField::Origin::kFound ? "picture" : "header"}}));
}

/// A blank exposure: a single grey value, or so few that it can show nothing. `sample`: sorted, of the field.
Status FilmReader::checkContrast(const std::vector<float>& sample, const ModalityScale& scale) const {
  const double full = static_cast<double>(std::abs(scale(highest()) - scale(lowest())));
  const double spread = sample.empty() ? 0 : static_cast<double>(percentile(sample, 0.99) - percentile(sample, 0.01));
  constexpr double kBlank = 0.002;  // ours: of the whole scale, or eight stored steps at most
  if (spread > std::min(kBlank * full, 8.0 * std::max(std::abs(scale.slope), 1e-9))) return {};
  return fail(Fault::kImages, "dicom.picture_blank_has_next_no_contrast", at(attr::kPixelData),
              Message("dicom.give_another_exposure"));
}

}  // namespace

Message nameOf(FilmKind kind) {
  switch (kind) {
    case FilmKind::kDigital:
      return Message("dicom.digital_radiograph");
    case FilmKind::kDigitalRaw:
      return Message("dicom.digital_radiograph_raw");
    case FilmKind::kComputed:
      return Message("dicom.computed_radiograph");
    case FilmKind::kFluoroscopy:
      return Message("dicom.fluoroscopic_image");
    case FilmKind::kAngiography:
      return Message("dicom.arm_image");
    case FilmKind::kSecondaryCapture:
      return Message("dicom.secondary_capture");
  }
  return {};
}

std::string_view wordOf(FilmView view) {
  switch (view) {
    case FilmView::kDorsoplantar:
      return "dorsoplantar";
    case FilmView::kOblique:
      return "oblique";
    case FilmView::kLateral:
      return "lateral";
  }
  return "";
}

std::optional<FilmView> filmViewFromWord(std::string_view word) {
  for (const FilmView view : kFilmViews)
    if (wordOf(view) == word) return view;
  return std::nullopt;
}

Result<FilmScan> readFilm(const fs::path& file, const FilmReadSettings& settings) {
  const std::string name = dicom::toUtf8(file.filename().string(), "");
  try {
    prepareDcmtk();
    return FilmReader(file, settings).read();
  } catch (const std::bad_alloc&) {
    return fail(Fault::kImages, "dicom.picture_needs_more_memory", name, Message("dicom.export_again"));
  } catch (const std::exception& e) {  // a library met something unexpected
    return fail(Fault::kImages, Message("dicom.picture_cannot_read", {{"what", e.what()}}), name,
                Message("dicom.copy_export_again"));
  }
}

Film displayed(const Film& film, const FilmInfo& info) {
  Film out(film.columns, film.rows);
  const FilmTone& t = info.tone;
  float low = 0, high = 1;
  const bool stretch = t.lut.empty() && !t.has_window;
  if (stretch) {
    FilmField f = info.field;
    if (f.right <= f.left || f.bottom <= f.top) f = {FilmField::Origin::kWhole, 0, 0, film.columns, film.rows};
    const std::vector<float> sample = sortedSample(film, f);
    low = percentile(sample, 0.005);
    high = std::max(percentile(sample, 0.995), low + 1e-6F);
  }
  for (std::size_t i = 0; i < film.values.size(); ++i) {
    double y = 0;
    if (stretch) {
      y = static_cast<double>((film.values[i] - low) / (high - low));
    } else {
      const double m = t.turned ? t.pivot - static_cast<double>(film.values[i]) : static_cast<double>(film.values[i]);
      if (!t.lut.empty()) {
        const auto last = static_cast<double>(t.lut.size() - 1);
        y = static_cast<double>(t.lut[static_cast<std::size_t>(std::clamp(std::round(m - t.lut_first), 0.0, last))]);
      } else if (t.curve == FilmTone::Curve::kSigmoid) {  // C.11.2.1.3.1
        y = 1 / (1 + std::exp(-4 * (m - t.centre) / t.width));
      } else if (t.curve == FilmTone::Curve::kLinearExact) {  // C.11.2.1.3.2
        y = (m - t.centre) / t.width + 0.5;
      } else if (t.width <= 1) {  // C.11.2.1.2: a step
        y = m > t.centre - 0.5 ? 1 : 0;
      } else {
        y = (m - (t.centre - 0.5)) / (t.width - 1) + 0.5;
      }
      if (t.turned) y = 1 - y;
    }
    out.values[i] = static_cast<float>(std::clamp(y, 0.0, 1.0));
  }
  return out;
}

}  // namespace rayset
