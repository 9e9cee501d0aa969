// Round trips: what is written is valid DICOM and is read back exactly.
#include <dcmtk/config/osconfig.h>
#include <dcmtk/dcmdata/dctk.h>
#include <fmt/format.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <array>
#include <cstdio>
#include <fstream>

#include "dicom/phantom_series.h"
#include "english.h"

namespace rayset::test {
namespace {

namespace fs = std::filesystem;
using Compression = CtWriteSettings::Compression;
using ::testing::HasSubstr;

Mat3 axial() { return Mat3::Identity(); }
Mat3 coronal() { return (Mat3() << 1, 0, 0, 0, 0, 1, 0, -1, 0).finished(); }
Mat3 sagittal() { return (Mat3() << 0, 0, -1, 1, 0, 0, 0, -1, 0).finished(); }
Mat3 oblique() {
  return (Eigen::AngleAxisd(0.4, Vec3(1, 2, 3).normalized()) * Eigen::AngleAxisd(-0.7, Vec3::UnitX()))
      .toRotationMatrix();
}

struct RoundTripCase {
  Compression compression;
  bool enhanced;
  bool is_signed;
  int bits;
  int orientation;
};

class RoundTrip : public ::testing::TestWithParam<RoundTripCase> {};

TEST_P(RoundTrip, GivesTheSameVolume) {
  const RoundTripCase& c = GetParam();
  const Mat3 directions[] = {axial(), coronal(), sagittal(), oblique()};
  const CtVolume written = testVolume(testGrid(23, 17, 12, directions[c.orientation]));
  ASSERT_NEAR(written.grid.direction.determinant(), 1, 1e-12);
  CtWriteSettings s;
  s.compression = c.compression;
  s.enhanced = c.enhanced;
  s.is_signed = c.is_signed;
  s.bits_stored = c.bits;
  // 12 unsigned bits from -1024 reach 3071 HU; 12 signed bits need intercept 1024 to hold them.
  s.rescale_intercept = c.is_signed ? (c.bits == 12 ? 1024 : 0) : -1024;
  TemporaryFolder folder;
  writeSeries(folder.path(), written, s);
  EXPECT_EQ(dicomFiles(folder.path()).size(), c.enhanced ? 1u : 12u);
  const auto read = readCt(folder.path());
  ASSERT_TRUE(read) << english(read.error());
  EXPECT_EQ(read->volume.grid.size, written.grid.size);
  // Decimal strings keep 14 digits or so of directions and positions.
  EXPECT_TRUE(read->volume.grid.spacing.isApprox(written.grid.spacing, 1e-9)) << read->volume.grid.spacing.transpose();
  EXPECT_TRUE(read->volume.grid.direction.isApprox(written.grid.direction, 1e-9)) << read->volume.grid.direction;
  EXPECT_TRUE(read->volume.grid.origin.isApprox(written.grid.origin, 1e-9)) << read->volume.grid.origin.transpose();
  EXPECT_EQ(read->volume.voxels, written.voxels);
  EXPECT_THAT(english(read->cautions), ::testing::IsEmpty());
  const ScanInfo& info = read->info;
  EXPECT_EQ(info.patient_name, "Müller^Zoë");
  EXPECT_EQ(info.study_description, "CT Fuß links");
  EXPECT_EQ(info.kernel, "Br59");
  EXPECT_EQ(info.laterality, "L");
  EXPECT_EQ(info.kvp, 120);
  EXPECT_EQ(info.files, c.enhanced ? 1u : 12u);
}

std::vector<RoundTripCase> allCases() {
  std::vector<RoundTripCase> cases;
  for (const Compression c : {Compression::kNone, Compression::kRle, Compression::kJpegLossless, Compression::kJpegLs})
    for (const bool enhanced : {false, true})
      for (const bool is_signed : {false, true})
        for (const int bits : {12, 16})
          for (int orientation = 0; orientation < 4; ++orientation)
            cases.push_back({c, enhanced, is_signed, bits, orientation});
  return cases;
}

std::string caseName(const ::testing::TestParamInfo<RoundTripCase>& info) {
  static const char* const kCompressions[] = {"None", "Rle", "JpegLossless", "JpegLs"};
  static const char* const kOrientations[] = {"Axial", "Coronal", "Sagittal", "Oblique"};
  const RoundTripCase& c = info.param;
  return fmt::format("{}{}{}{}{}", kCompressions[static_cast<int>(c.compression)], c.enhanced ? "Enhanced" : "Classic",
                     c.is_signed ? "Signed" : "Unsigned", c.bits, kOrientations[c.orientation]);
}

INSTANTIATE_TEST_SUITE_P(All, RoundTrip, ::testing::ValuesIn(allCases()), caseName);

// dciodvfy (dicom3tools) is an independent validator of the attributes of each information object.
std::string validate(const fs::path& file) {
  std::string out;
  const std::string command = "dciodvfy -new '" + file.string() + "' 2>&1";
  FILE* pipe = popen(command.c_str(), "r");
  std::array<char, 512> line{};
  while (pipe && std::fgets(line.data(), static_cast<int>(line.size()), pipe)) out += line.data();
  if (pipe) pclose(pipe);
  return out;
}

TEST(CtWriter, ObjectsPassTheValidator) {
  if (std::system("command -v dciodvfy > /dev/null") != 0)
    GTEST_SKIP() << "dciodvfy (package dicom3tools) is not installed";
  const CtVolume volume = testVolume(testGrid(23, 18, 9, oblique()));
  for (const Compression c : {Compression::kNone, Compression::kRle, Compression::kJpegLossless, Compression::kJpegLs})
    for (const bool enhanced : {false, true})
      for (const bool bare : {false, true}) {
        CtWriteSettings s;
        s.compression = c;
        s.enhanced = enhanced;
        s.is_signed = bare;
        TemporaryFolder folder;
        writeSeries(folder.path(), volume, s, bare ? ScanInfo{} : testInfo());
        const std::string report = validate(imageFile(folder.path(), 1));
        EXPECT_THAT(report, ::testing::HasSubstr(enhanced ? "EnhancedCTImage" : "CTImage"));
        EXPECT_THAT(report, ::testing::Not(HasSubstr("Error"))) << report;
      }
}

}  // namespace
}  // namespace rayset::test
