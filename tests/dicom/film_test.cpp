// Films: what is written is valid DICOM and read back; grey scale, size, view and load are read as the standard means
// them; what is no usable radiograph is refused with file, attribute and remedy.
#include <dcmtk/config/osconfig.h>
#include <dcmtk/dcmdata/dctk.h>
#include <fmt/format.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <array>
#include <cmath>
#include <cstdio>
#include <fstream>
#include <tuple>

#include "dicom/film_reader.h"
#include "dicom/film_words.h"
#include "dicom/film_writer.h"
#include "dicom/phantom_series.h"
#include "english.h"

namespace rayset::test {
namespace {

namespace fs = std::filesystem;
using ::testing::Contains;
using ::testing::HasSubstr;
using ::testing::IsEmpty;
using ::testing::Not;
using Kind = FilmWriteInfo::Kind;
using Origin = FilmSpacing::Origin;
using Compression = CtWriteSettings::Compression;

/// Dark air with a brighter foot in the middle that no flip or turn maps onto itself.
Film footLike(int columns = 64, int rows = 80) {
  Film f(columns, rows);
  for (int r = 0; r < rows; ++r)
    for (int c = 0; c < columns; ++c) {
      const double x = (c - 0.5 * columns) / (0.3 * columns), y = (r - 0.5 * rows) / (0.35 * rows);
      const double inside = 1 - x * x - y * y + 0.2 * x * y;
      f.at(c, r) = inside <= 0 ? static_cast<float>(100 + (c * 7 + r * 13) % 5)
                               : static_cast<float>(std::floor(8000 + 20000 * inside + 300 * x + 100 * y));
    }
  return f;
}

FilmWriteInfo filmInfo() {
  FilmWriteInfo i;
  i.patient_name = "Müller^Zoë";
  i.patient_id = "RS-17";
  i.patient_sex = "F";
  i.patient_birth_date = "19800229";
  i.study_date = "20240315";
  i.study_description = "Fuß links";
  i.series_description = "Foot dp";
  i.side = Side::kLeft;
  i.view = FilmView::kDorsoplantar;
  i.column_mm = 0.15;
  i.row_mm = 0.14;
  i.value_low = 0;
  i.value_high = 65535;
  return i;
}

std::string output(const std::string& command) {
  std::string out;
  FILE* pipe = popen((command + " 2>&1").c_str(), "r");
  std::array<char, 512> line{};
  while (pipe && std::fgets(line.data(), static_cast<int>(line.size()), pipe)) out += line.data();
  if (pipe) pclose(pipe);
  return out;
}

class Films : public ::testing::Test {
 protected:
  fs::path write(const FilmWriteInfo& info = filmInfo(), const Film& film = footLike()) {
    fs::path file = folder / "film.dcm";
    const Status done = writeFilm(file, film, info);
    EXPECT_TRUE(done) << english(done.error());
    return file;
  }
  FilmScan read(const FilmReadSettings& settings = {}) {
    auto scan = readFilm(folder / "film.dcm", settings);
    EXPECT_TRUE(scan) << english(scan.error());
    return scan ? *scan : FilmScan{};
  }
  Error error(Fault fault = Fault::kImages, const FilmReadSettings& settings = {}) {
    const auto scan = readFilm(folder / "film.dcm", settings);
    EXPECT_FALSE(scan) << "read although it should not be";
    if (scan) return {};
    EXPECT_EQ(scan.error().fault, fault) << english(scan.error());
    EXPECT_THAT(scan.error().where, HasSubstr("film.dcm"));
    EXPECT_FALSE(english(scan.error().remedy).empty()) << english(scan.error());
    return scan.error();
  }
  void change(const std::function<void(DcmDataset&)>& f) { edit(folder / "film.dcm", f); }
  TemporaryFolder folder;
};

class FilmRoundTrip : public ::testing::TestWithParam<std::tuple<Kind, bool, Compression>> {};

TEST_P(FilmRoundTrip, GivesTheSameFilm) {
  const auto [kind, monochrome1, compression] = GetParam();
  TemporaryFolder folder;
  FilmWriteInfo info = filmInfo();
  info.kind = kind;
  info.monochrome1 = monochrome1;
  info.compression = compression;
  const Film film = footLike(63, 81);  // odd, so that a padded frame is met
  ASSERT_TRUE(writeFilm(folder / "a.dcm", film, info));
  const auto scan = readFilm(folder / "a.dcm");
  ASSERT_TRUE(scan) << english(scan.error());
  EXPECT_EQ(scan->film.columns, 63);
  EXPECT_EQ(scan->film.rows, 81);
  EXPECT_EQ(scan->film.values, film.values);
  const FilmInfo& i = scan->info;
  EXPECT_EQ(i.patient_name, "Müller^Zoë");
  EXPECT_EQ(i.patient_id, "RS-17");
  EXPECT_EQ(i.study_description, "Fuß links");
  EXPECT_EQ(i.side, Side::kLeft);
  EXPECT_EQ(i.view, FilmView::kDorsoplantar);
  EXPECT_EQ(i.field.origin, FilmField::Origin::kWhole);
  EXPECT_THAT(english(scan->cautions), IsEmpty());
  EXPECT_EQ(i.spacing.origin, Origin::kDetector);
  EXPECT_NEAR(i.spacing.column_mm, 0.15, 1e-12);
  EXPECT_NEAR(i.spacing.row_mm, 0.14, 1e-12);
  // The window spans all values, so the film is shown dark to bright as it is, whichever way it was stored.
  const Film shown = displayed(scan->film, i);
  EXPECT_NEAR(static_cast<double>(shown.at(31, 40)), static_cast<double>(film.at(31, 40)) / 65535, 2e-4);
  // The same call writes the same bytes.
  ASSERT_TRUE(writeFilm(folder / "b.dcm", film, info));
  EXPECT_EQ(output("cmp '" + (folder / "a.dcm").string() + "' '" + (folder / "b.dcm").string() + "'"), "");
}

INSTANTIATE_TEST_SUITE_P(All, FilmRoundTrip,
                         ::testing::Values(std::tuple{Kind::kDigital, false, Compression::kNone},
                                           std::tuple{Kind::kDigital, true, Compression::kNone},
                                           std::tuple{Kind::kDigital, false, Compression::kJpegLossless},
                                           std::tuple{Kind::kDigital, true, Compression::kJpegLs},
                                           std::tuple{Kind::kComputed, false, Compression::kRle},
                                           std::tuple{Kind::kComputed, true, Compression::kNone},
                                           std::tuple{Kind::kAngiography, false, Compression::kNone}));

TEST_F(Films, PassTheValidator) {
  if (std::system("command -v dciodvfy > /dev/null") != 0)
    GTEST_SKIP() << "dciodvfy (package dicom3tools) is not installed";
  for (const Kind kind : {Kind::kDigital, Kind::kComputed, Kind::kAngiography})
    for (const bool simulated : {false, true})
      for (const std::optional<FilmView> view : {std::optional<FilmView>{}, std::optional{FilmView::kDorsoplantar},
                                                 std::optional{FilmView::kOblique}, std::optional{FilmView::kLateral}})
        for (const bool monochrome1 : {false, true}) {
          if (kind == Kind::kAngiography && monochrome1) continue;
          FilmWriteInfo info = filmInfo();
          info.kind = kind;
          info.view = view;
          info.lateromedial = monochrome1;
          if (!view) info.patient_orientation = "A\\F";
          info.monochrome1 = monochrome1;
          info.simulated = simulated;
          info.derivation = simulated ? "line integrals through invented bones" : "";
          info.source_detector_mm = 1016;
          info.source_patient_mm = 976;
          info.magnification = 1016.0 / 976;
          info.kvp = 55;
          if (monochrome1) {
            info.object_column_mm = 0.144;
            info.object_row_mm = 0.135;
            info.calibration = FilmWriteInfo::Calibration::kFiducial;
          }
          write(info);
          const std::string report = output("dciodvfy -new '" + (folder / "film.dcm").string() + "'");
          EXPECT_THAT(report, HasSubstr(kind == Kind::kDigital    ? "DXImageForPresentation"
                                        : kind == Kind::kComputed ? "CRImage"
                                                                  : "XAImage"));
          EXPECT_THAT(report, Not(HasSubstr("Error"))) << report;
          EXPECT_THAT(report, Not(HasSubstr("Warning"))) << report;
        }
}

TEST_F(Films, SimulatedOnesSaySo) {
  FilmWriteInfo info = filmInfo();
  info.simulated = true;
  EXPECT_FALSE(writeFilm(folder / "film.dcm", footLike(), info)) << "must say from what";
  EXPECT_FALSE(fs::exists(folder / "film.dcm"));
  info.derivation = "line integrals through CT, 60 keV";
  write(info);
  const FilmScan scan = read();
  EXPECT_TRUE(scan.info.quality_control);
  EXPECT_THAT(scan.info.series_description, HasSubstr("SIMULATED"));
  EXPECT_THAT(scan.info.comments, HasSubstr("SIMULATED"));
  EXPECT_THAT(scan.info.derivation, HasSubstr("line integrals through CT, 60 keV"));
}

TEST_F(Films, WriterRefusesWhatCannotBe) {
  const auto refused = [&](const std::function<void(FilmWriteInfo&, Film&)>& spoil) {
    FilmWriteInfo info = filmInfo();
    Film film = footLike();
    spoil(info, film);
    const Status done = writeFilm(folder / "film.dcm", film, info);
    EXPECT_FALSE(done);
    EXPECT_FALSE(fs::exists(folder / "film.dcm"));
    return done ? Error{} : done.error();
  };
  EXPECT_EQ(refused([](auto&, Film& f) { f.values.pop_back(); }).fault, Fault::kRequest);
  EXPECT_EQ(refused([](auto&, Film& f) { f.values[7] = NAN; }).fault, Fault::kRequest);
  EXPECT_EQ(refused([](auto& i, Film&) { i.column_mm = i.row_mm = 0; }).fault, Fault::kRequest);
  EXPECT_EQ(refused([](auto& i, Film&) { i.row_mm = 0; }).fault, Fault::kRequest);
  EXPECT_THAT(english(refused([](auto& i, Film&) { i.view.reset(); }).what), HasSubstr("(0020,0020)"));
  EXPECT_EQ(refused([](auto& i, Film&) { i.bits_stored = 7; }).fault, Fault::kRequest);
  EXPECT_EQ(refused([](auto& i, Film&) { i.window_low = 3; }).fault, Fault::kRequest);
  const Status nowhere = writeFilm(folder / "no such folder" / "film.dcm", footLike(), filmInfo());
  ASSERT_FALSE(nowhere);
  EXPECT_EQ(nowhere.error().fault, Fault::kInternal);
}

// --- where lengths come from -----------------------------------------------------------------------------------------

TEST_F(Films, SpacingFiducial) {
  FilmWriteInfo info = filmInfo();
  info.object_column_mm = 0.144;
  info.object_row_mm = 0.135;
  info.calibration = FilmWriteInfo::Calibration::kFiducial;
  info.magnification = 1.2;  // must not be applied once more
  write(info);
  const FilmSpacing s = read().info.spacing;
  EXPECT_EQ(s.origin, Origin::kFiducial);
  EXPECT_DOUBLE_EQ(s.column_mm, 0.144);
  EXPECT_DOUBLE_EQ(s.row_mm, 0.135);
  EXPECT_FALSE(s.too_large);
}

TEST_F(Films, SpacingGeometryAndUnsaidCalibration) {
  FilmWriteInfo info = filmInfo();
  info.object_column_mm = info.object_row_mm = 0.14;
  info.calibration = FilmWriteInfo::Calibration::kGeometry;
  write(info);
  EXPECT_EQ(read().info.spacing.origin, Origin::kGeometry);
  info.calibration = FilmWriteInfo::Calibration::kNone;
  write(info);
  EXPECT_EQ(read().info.spacing.origin, Origin::kCalibrated);  // differs from the detector's
}

TEST_F(Films, PixelSpacingThatRepeatsTheDetectorsIsNoCalibration) {
  FilmWriteInfo info = filmInfo();
  info.object_column_mm = info.column_mm;
  info.object_row_mm = info.row_mm;
  write(info);
  const FilmSpacing s = read().info.spacing;
  EXPECT_EQ(s.origin, Origin::kDetector);
  EXPECT_TRUE(s.too_large);
}

TEST_F(Films, MagnificationIsTakenOut) {
  FilmWriteInfo info = filmInfo();
  info.magnification = 1.05;
  write(info);
  FilmSpacing s = read().info.spacing;
  EXPECT_EQ(s.origin, Origin::kMagnification);
  EXPECT_NEAR(s.column_mm, 0.15 / 1.05, 1e-12);
  EXPECT_NEAR(s.row_mm, 0.14 / 1.05, 1e-12);
  // From the distances if the factor is missing: 1016 / 986 = 1.030.
  info.magnification.reset();
  info.source_detector_mm = 1016;
  info.source_patient_mm = 986;
  write(info);
  s = read().info.spacing;
  EXPECT_EQ(s.origin, Origin::kMagnification);
  EXPECT_NEAR(0.15 / s.column_mm, 1.0304, 1e-4);
}

TEST_F(Films, ImpossibleMagnificationsAreLeftAsideAndTold) {
  FilmWriteInfo info = filmInfo();
  info.magnification = 0.8;
  write(info);
  FilmScan scan = read();
  EXPECT_EQ(scan.info.spacing.origin, Origin::kDetector);
  EXPECT_THAT(english(scan.cautions), Contains(HasSubstr("(0018,1114) is 0.8")));
  info.magnification = 1;
  write(info);
  scan = read();
  EXPECT_EQ(scan.info.spacing.origin, Origin::kDetector);
  EXPECT_THAT(english(scan.cautions), Contains(HasSubstr("says 1")));
  info.magnification.reset();
  info.source_detector_mm = 900;
  info.source_patient_mm = 1000;
  write(info);
  scan = read();
  EXPECT_EQ(scan.info.spacing.origin, Origin::kDetector);
  EXPECT_THAT(english(scan.cautions), Contains(HasSubstr("do not fit together")));
}

TEST_F(Films, SpacingAloneScannedOrMissing) {
  FilmWriteInfo info = filmInfo();
  info.kind = Kind::kComputed;
  info.column_mm = info.row_mm = 0;
  info.object_column_mm = info.object_row_mm = 0.1;
  write(info);
  EXPECT_EQ(read().info.spacing.origin, Origin::kUnstated);
  info.object_column_mm = info.object_row_mm = 0;
  write(info);
  EXPECT_FALSE(read().info.spacing.known());
  change([](DcmDataset& d) { d.putAndInsertString(DCM_NominalScannedPixelSpacing, "0.17\\0.17"); });
  const FilmSpacing s = read().info.spacing;
  EXPECT_EQ(s.origin, Origin::kScanned);
  EXPECT_TRUE(s.too_large);
}

TEST_F(Films, NonsenseSpacingIsLeftAside) {
  write();
  change([](DcmDataset& d) { d.putAndInsertString(DCM_ImagerPixelSpacing, "0\\0"); });
  const FilmScan scan = read();
  EXPECT_FALSE(scan.info.spacing.known());
  EXPECT_THAT(english(scan.cautions), Contains(HasSubstr("(0018,1164)")));
}

TEST_F(Films, PixelAspectRatioCountsWithoutSpacing) {
  FilmWriteInfo info = filmInfo();
  info.kind = Kind::kComputed;
  info.column_mm = info.row_mm = 0;
  write(info);
  change([](DcmDataset& d) { d.putAndInsertString(DCM_PixelAspectRatio, "6\\5"); });
  EXPECT_DOUBLE_EQ(read().info.aspect, 1.2);
}

// --- grey scale ------------------------------------------------------------------------------------------------------

TEST_F(Films, RescaleAndModalityLutComeBeforeAnythingElse) {
  FilmWriteInfo info = filmInfo();
  info.kind = Kind::kComputed;
  info.monochrome1 = true;
  info.bits_stored = 12;
  info.value_high = 4095;
  Film film = footLike();
  for (float& v : film.values) v = std::floor(v / 8);
  write(info, film);
  change([](DcmDataset& d) {
    d.putAndInsertString(DCM_RescaleSlope, "2");
    d.putAndInsertString(DCM_RescaleIntercept, "10");
  });
  // Stored s = 4095 - v; modality 2 s + 10; turned within 10 .. 8200: 8210 - (2 s + 10) = 2 v + 10.
  const FilmScan scan = read();
  for (const auto& [c, r] : {std::pair{3, 4}, {32, 40}, {20, 50}})
    EXPECT_FLOAT_EQ(scan.film.at(c, r), 2 * film.at(c, r) + 10);
  change([](DcmDataset& d) {
    d.findAndDeleteElement(DCM_RescaleSlope);
    d.findAndDeleteElement(DCM_RescaleIntercept);
    DcmItem* item = nullptr;
    d.findOrCreateSequenceItem(DCM_ModalityLUTSequence, item, 0);
    const Uint16 descriptor[] = {4096, 0, 16};
    item->putAndInsertUint16Array(DCM_LUTDescriptor, descriptor, 3);
    std::vector<Uint16> values;
    for (int i = 0; i < 4096; ++i) values.push_back(static_cast<Uint16>(i * i / 256));
    item->putAndInsertUint16Array(DCM_LUTData, values.data(), 4096);
  });
  const FilmScan bent = read();
  for (const auto& [c, r] : {std::pair{3, 4}, {32, 40}, {20, 50}}) {
    const int s = 4095 - static_cast<int>(film.at(c, r));
    EXPECT_FLOAT_EQ(bent.film.at(c, r), static_cast<float>(65535 - s * s / 256));
  }
  change([](DcmDataset& d) {
    DcmItem* item = nullptr;
    d.findAndGetSequenceItem(DCM_ModalityLUTSequence, item, 0);
    const Uint16 descriptor[] = {4000, 0, 16};
    item->putAndInsertUint16Array(DCM_LUTDescriptor, descriptor, 3);
  });
  EXPECT_THAT(error().where, HasSubstr("(0028,3002)"));
}

TEST_F(Films, WindowAndVoiLutChangeTheShowingNotTheValues) {
  FilmWriteInfo info = filmInfo();
  info.window_low = 10000;
  info.window_high = 20000;
  const Film film = footLike();
  write(info, film);
  FilmScan scan = read();
  EXPECT_EQ(scan.film.values, film.values);
  Film shown = displayed(scan.film, scan.info);
  Film probe(3, 1);
  probe.values = {9000, 15000, 21000};
  shown = displayed(probe, scan.info);
  EXPECT_FLOAT_EQ(shown.values[0], 0);
  EXPECT_NEAR(static_cast<double>(shown.values[1]), 0.5, 1e-3);
  EXPECT_FLOAT_EQ(shown.values[2], 1);
  change([](DcmDataset& d) { d.putAndInsertString(DCM_VOILUTFunction, "SIGMOID"); });
  shown = displayed(probe, read().info);
  EXPECT_NEAR(static_cast<double>(shown.values[0]), 1 / (1 + std::exp(4 * 6000.0 / 10000)), 1e-3);
  change([](DcmDataset& d) {
    DcmItem* item = nullptr;
    d.findOrCreateSequenceItem(DCM_VOILUTSequence, item, 0);
    const Uint16 descriptor[] = {3, 15000, 8};
    item->putAndInsertUint16Array(DCM_LUTDescriptor, descriptor, 3);
    const Uint16 values[] = {51, 102, 204};
    item->putAndInsertUint16Array(DCM_LUTData, values, 3);
  });
  scan = read();
  EXPECT_EQ(scan.film.values, film.values);
  shown = displayed(probe, scan.info);
  EXPECT_NEAR(static_cast<double>(shown.values[0]), 0.2, 1e-6);
  EXPECT_NEAR(static_cast<double>(shown.values[1]), 0.2, 1e-6);
  EXPECT_NEAR(static_cast<double>(shown.values[2]), 0.8, 1e-6);
}

TEST_F(Films, InverseShapeWithMonochrome2IsTurnedAndTold) {
  write();
  change([](DcmDataset& d) { d.putAndInsertString(DCM_PresentationLUTShape, "INVERSE"); });
  const FilmScan scan = read();
  EXPECT_THAT(english(scan.cautions), Contains(HasSubstr("(2050,0020)")));
  EXPECT_FLOAT_EQ(scan.film.at(32, 40), 65535 - footLike().at(32, 40));
  EXPECT_THAT(english(scan.cautions), Contains(HasSubstr("rim of the picture is brighter")));
}

TEST_F(Films, FluoroscopyGoesByTheIntensitySign) {
  FilmWriteInfo info = filmInfo();
  info.kind = Kind::kAngiography;
  Film dark = footLike();  // bone dark, as such images are often stored
  for (float& v : dark.values) v = 65535 - v;
  write(info, dark);
  change([](DcmDataset& d) { d.putAndInsertSint16(DCM_PixelIntensityRelationshipSign, 1); });
  const FilmScan scan = read();
  EXPECT_EQ(scan.film.values, footLike().values);
  EXPECT_THAT(english(scan.cautions), Contains(HasSubstr("(0028,1041) is 1")));
}

// --- view, side, load ------------------------------------------------------------------------------------------------

TEST(FilmWords, View) {
  for (const auto& [text, view] : {std::pair{"dorsoplantar", FilmView::kDorsoplantar},
                                   {"Foot AP left", FilmView::kDorsoplantar},
                                   {"FUSS DORSO-PLANTAR", FilmView::kDorsoplantar},
                                   {"medial oblique", FilmView::kOblique},
                                   {"Fuß schräg", FilmView::kOblique},
                                   {"LLO", FilmView::kOblique},
                                   {"lateral oblique", FilmView::kOblique},
                                   {"Foot lat. standing", FilmView::kLateral},
                                   {"medial-lateral", FilmView::kLateral},
                                   {"Fuß seitlich", FilmView::kLateral},
                                   {"LL", FilmView::kLateral}})
    EXPECT_EQ(dicom::viewIn(text), view) << text;
  for (const char* text : {"", "Foot AP, lateral and oblique", "bilateral feet", "Foot 3 views", "unilateral"})
    EXPECT_EQ(dicom::viewIn(text), std::nullopt) << text;
}

TEST(FilmWords, WeightBearing) {
  for (const char* text : {"Foot weight-bearing", "FOOT AP WB", "Fuß belastet", "pied en charge", "standing"})
    EXPECT_EQ(dicom::weightBearingIn(text), true) << text;
  for (const char* text : {"non weight bearing", "Foot NWB", "Fuß unbelastet", "Non-Weight-Bearing foot"})
    EXPECT_EQ(dicom::weightBearingIn(text), false) << text;
  for (const char* text : {"", "Foot AP", "owber"}) EXPECT_EQ(dicom::weightBearingIn(text), std::nullopt) << text;
}

TEST_F(Films, TheMostParticularWordOnTheViewCounts) {
  FilmWriteInfo info = filmInfo();
  info.study_description = "Foot lateral";
  info.series_description = "oblique, weight bearing";
  write(info);
  FilmScan scan = read();
  EXPECT_EQ(scan.info.view, FilmView::kDorsoplantar);
  EXPECT_THAT(scan.info.view_from, HasSubstr("View Code Sequence"));
  EXPECT_EQ(scan.info.weight_bearing, true);
  info.view.reset();
  info.patient_orientation = "R\\P";
  write(info);
  scan = read();
  EXPECT_EQ(scan.info.view, FilmView::kOblique);
  EXPECT_THAT(scan.info.view_from, HasSubstr("(0008,103E)"));
}

// PS3.16 CID 4010: 399260004 medial-lateral, 399352003 lateral-medial. Dorsal up and seen from the tube, the toes of a
// right foot lie on the left where the beam comes from medial.
TEST_F(Films, LateralFromEitherSide) {
  for (const Side side : {Side::kRight, Side::kLeft})
    for (const bool lateromedial : {false, true}) {
      FilmWriteInfo info = filmInfo();
      info.view = FilmView::kLateral;
      info.side = side;
      info.lateromedial = lateromedial;
      write(info);
      const FilmScan scan = read();
      EXPECT_EQ(scan.info.view, FilmView::kLateral);
      EXPECT_EQ(scan.info.lateromedial, lateromedial);
      EXPECT_THAT(scan.info.view_from, HasSubstr(lateromedial ? "lateral-medial" : "medial-lateral"));
      EXPECT_EQ(scan.info.patient_orientation, (side == Side::kRight) != lateromedial ? "P\\F" : "A\\F");
    }
  for (const char* text : {"Foot lateral", "medio-lateral", "ML"}) EXPECT_FALSE(dicom::lateromedialIn(text)) << text;
  for (const char* text : {"latero-medial", "LM", "Foot, lateromedial", "lateral-medial"})
    EXPECT_TRUE(dicom::lateromedialIn(text)) << text;
}

TEST_F(Films, LateralityOfBothFeetIsNoSide) {
  write();
  change([](DcmDataset& d) { d.putAndInsertString(DCM_ImageLaterality, "B"); });
  const FilmScan scan = read();
  EXPECT_FALSE(scan.info.side);
  EXPECT_TRUE(scan.info.both_sides);
}

// --- the picture itself ----------------------------------------------------------------------------------------------

TEST_F(Films, BurntInCollimatorIsFound) {
  for (const float shutter : {0.0F, 65535.0F}) {
    Film film = footLike(160, 200);
    for (int r = 0; r < film.rows; ++r)
      for (int c = 0; c < film.columns; ++c) {
        film.at(c, r) += 4000;  // scattered radiation: air inside the field is not as dark as the shutter
        if (c < 13 || c >= 141 || r < 20 || r >= 187) film.at(c, r) = shutter;
      }
    write(filmInfo(), film);
    const FilmScan scan = read();
    const FilmField& f = scan.info.field;
    EXPECT_EQ(f.origin, FilmField::Origin::kFound);
    EXPECT_EQ(std::tie(f.left, f.right, f.top, f.bottom), std::tuple(13, 141, 20, 187));
    EXPECT_THAT(english(scan.cautions), Contains(HasSubstr("collimator edges found")));
    EXPECT_FALSE(f.contains(5, 100));
    EXPECT_TRUE(f.contains(13, 20));
  }
}

TEST_F(Films, OneShutterOnlyAndNone) {
  Film film = footLike(160, 200);
  for (int r = 0; r < film.rows; ++r)
    for (int c = 0; c < film.columns; ++c) film.at(c, r) = r < 30 ? 0.0F : film.at(c, r) + 4000;
  FilmField f = findField(film);
  EXPECT_EQ(std::tie(f.left, f.right, f.top, f.bottom), std::tuple(0, 160, 30, 200));
  // Even air all round a foot is no collimator: its border is not straight.
  Film even = footLike(160, 200);
  for (float& v : even.values)
    if (v < 200) v = 100;
  EXPECT_EQ(findField(even).origin, FilmField::Origin::kWhole);
}

TEST_F(Films, CollimatorInTheHeaderCounts) {
  write();
  change([](DcmDataset& d) {
    d.putAndInsertString(DCM_CollimatorShape, "RECTANGULAR");
    d.putAndInsertString(DCM_CollimatorLeftVerticalEdge, "5");
    d.putAndInsertString(DCM_CollimatorRightVerticalEdge, "60");
    d.putAndInsertString(DCM_CollimatorUpperHorizontalEdge, "8");
    d.putAndInsertString(DCM_CollimatorLowerHorizontalEdge, "70");
  });
  const FilmField f = read().info.field;
  EXPECT_EQ(f.origin, FilmField::Origin::kHeader);
  EXPECT_EQ(std::tie(f.left, f.right, f.top, f.bottom), std::tuple(5, 59, 8, 69));
}

TEST_F(Films, ClippedExposureIsTold) {
  Film film = footLike(160, 200);
  for (float& v : film.values) v = std::min(v, 20000.0F);
  write(filmInfo(), film);
  const FilmScan scan = read();
  EXPECT_GT(scan.info.clipped_bright, 0.2);
  EXPECT_THAT(english(scan.cautions), Contains(HasSubstr("clipped")));
}

TEST_F(Films, PaddingIsDark) {
  Film film = footLike();
  for (int r = 0; r < 10; ++r) film.at(3, r) = 65535;
  write(filmInfo(), film);
  change([](DcmDataset& d) { d.putAndInsertUint16(DCM_PixelPaddingValue, 65535); });
  EXPECT_LE(read().film.at(3, 5), 104);
}

TEST_F(Films, FramesOfARun) {
  FilmWriteInfo info = filmInfo();
  info.kind = Kind::kAngiography;
  const Film one = footLike();
  write(info, one);
  change([&](DcmDataset& d) {
    std::vector<Uint16> words;
    for (int frame = 0; frame < 3; ++frame)
      for (const float v : one.values) words.push_back(static_cast<Uint16>(v + static_cast<float>(1000 * frame)));
    d.putAndInsertString(DCM_NumberOfFrames, "3");
    d.putAndInsertUint16Array(DCM_PixelData, words.data(), words.size());
  });
  FilmScan scan = read();
  EXPECT_EQ(scan.film.values, one.values);
  EXPECT_THAT(english(scan.cautions), Contains(HasSubstr("3 frames")));
  scan = read({.frame = 3});
  EXPECT_FLOAT_EQ(scan.film.at(10, 10), one.at(10, 10) + 2000);
  EXPECT_THAT(english(scan.cautions), Not(Contains(HasSubstr("frames"))));
  EXPECT_THAT(english(error(Fault::kRequest, {.frame = 4}).what), HasSubstr("frame 4"));
}

// --- refusals --------------------------------------------------------------------------------------------------------

TEST_F(Films, NotThereOrNotDicom) {
  EXPECT_EQ(error(Fault::kRequest).what, "there is no such file");
  std::ofstream(folder / "film.dcm") << "not an image, but long enough to be looked at twice";
  EXPECT_THAT(english(error().what), HasSubstr("not DICOM"));
  fs::remove(folder / "film.dcm");
  fs::create_directory(folder / "film.dcm");
  EXPECT_THAT(english(error(Fault::kRequest).what), HasSubstr("folder"));
}

TEST_F(Films, CtAndOtherKindsAreNamed) {
  write();
  change([](DcmDataset& d) { d.putAndInsertString(DCM_SOPClassUID, UID_CTImageStorage); });
  Error e = error();
  EXPECT_THAT(english(e.what), HasSubstr("CT Image Storage"));
  EXPECT_THAT(e.where, HasSubstr("(0008,0016)"));
  EXPECT_THAT(english(e.remedy), HasSubstr("rayset plan"));
  change([](DcmDataset& d) { d.putAndInsertString(DCM_SOPClassUID, UID_EnhancedXAImageStorage); });
  EXPECT_THAT(english(error().what), HasSubstr("Enhanced XA"));
}

TEST_F(Films, SecondaryCaptureOnlyWhereItSaysRadiograph) {
  write();
  change([](DcmDataset& d) {
    d.putAndInsertString(DCM_SOPClassUID, UID_SecondaryCaptureImageStorage);
    d.putAndInsertString(DCM_Modality, "OT");
  });
  EXPECT_THAT(error().where, HasSubstr("(0008,0060)"));
  change([](DcmDataset& d) { d.putAndInsertString(DCM_ConversionType, "DF"); });
  EXPECT_THAT(english(read().cautions), Contains(HasSubstr("digitised film")));
}

TEST_F(Films, ColourMissingPhotometricCutShortBlank) {
  write();
  change([](DcmDataset& d) { d.putAndInsertString(DCM_PhotometricInterpretation, "RGB"); });
  EXPECT_THAT(english(error().what), HasSubstr("colour"));
  change([](DcmDataset& d) { d.findAndDeleteElement(DCM_PhotometricInterpretation); });
  EXPECT_THAT(error().where, HasSubstr("(0028,0004)"));
  write();
  change([](DcmDataset& d) { d.putAndInsertUint16(DCM_Rows, 60000); });
  EXPECT_THAT(english(error().what), HasSubstr("cut short"));
  write();
  change([](DcmDataset& d) { d.findAndDeleteElement(DCM_PixelData); });
  EXPECT_THAT(error().where, HasSubstr("(7FE0,0010)"));
  write();
  change([](DcmDataset& d) { d.findAndDeleteElement(DCM_Rows); });
  EXPECT_THAT(error().where, HasSubstr("(0028,0010)"));
  write(filmInfo(), Film(64, 64, 500));
  EXPECT_THAT(english(error().what), HasSubstr("blank"));
}

TEST_F(Films, CutFilesNeverCrash) {
  write();
  std::ifstream in(folder / "film.dcm", std::ios::binary);
  const std::string whole((std::istreambuf_iterator<char>(in)), {});
  in.close();
  for (std::size_t n = 0; n < whole.size(); n += 1 + whole.size() / 97) {
    std::ofstream(folder / "film.dcm", std::ios::binary) << whole.substr(0, n);
    const auto scan = readFilm(folder / "film.dcm");
    ASSERT_FALSE(scan) << n;
    EXPECT_EQ(scan.error().fault, Fault::kImages);
  }
}

// --- files made by other programs ------------------------------------------------------------------------------------

TEST_F(Films, MadeByHandWithDump2dcm) {
  if (std::system("command -v dump2dcm > /dev/null") != 0) GTEST_SKIP() << "dump2dcm (package dcmtk) is not installed";
  // 4 x 3 pixels of a CR, MONOCHROME1, 12 bits; Pixel Spacing and Imager Pixel Spacing differ.
  std::ofstream(folder / "film.txt") << R"((0008,0016) UI =ComputedRadiographyImageStorage
(0008,0018) UI [1.2.3.4.1]
(0008,0060) CS [CR]
(0008,103e) LO [Vorfuss seitlich belastet]
(0010,0010) PN [Roe^Jane]
(0010,0020) LO [X1]
(0018,1164) DS [0.2\0.1]
(0020,000d) UI [1.2.3.4]
(0020,000e) UI [1.2.3.4.2]
(0020,0060) CS [R]
(0028,0002) US 1
(0028,0004) CS [MONOCHROME1]
(0028,0010) US 3
(0028,0011) US 4
(0028,0030) DS [0.19\0.095]
(0028,0100) US 16
(0028,0101) US 12
(0028,0102) US 11
(0028,0103) US 0
(7fe0,0010) OW 0001\0fff\0800\0010\0100\0200\0300\0400\0500\0600\0700\0ffe
)";
  const std::string said =
      output("dump2dcm '" + (folder / "film.txt").string() + "' '" + (folder / "film.dcm").string() + "'");
  ASSERT_TRUE(fs::exists(folder / "film.dcm")) << said;
  const FilmScan scan = read();
  ASSERT_EQ(scan.film.columns, 4);
  ASSERT_EQ(scan.film.rows, 3);
  EXPECT_FLOAT_EQ(scan.film.at(0, 0), 4094);
  EXPECT_FLOAT_EQ(scan.film.at(1, 0), 0);
  EXPECT_FLOAT_EQ(scan.film.at(3, 2), 1);
  EXPECT_EQ(scan.info.kind, FilmKind::kComputed);
  EXPECT_EQ(scan.info.side, Side::kRight);
  EXPECT_EQ(scan.info.view, FilmView::kLateral);
  EXPECT_EQ(scan.info.weight_bearing, true);
  EXPECT_EQ(scan.info.spacing.origin, Origin::kCalibrated);
  EXPECT_DOUBLE_EQ(scan.info.spacing.row_mm, 0.19);
  EXPECT_DOUBLE_EQ(scan.info.spacing.column_mm, 0.095);
}

}  // namespace
}  // namespace rayset::test
