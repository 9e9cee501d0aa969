// Stored values, bits and encodings; and a check of the written pixels that shares no code with the reader.
#include "dicom/pixels.h"

#include <dcmtk/config/osconfig.h>
#include <dcmtk/dcmdata/dcpxitem.h>
#include <dcmtk/dcmdata/dctk.h>
#include <dcmtk/dcmjpeg/djrplol.h>
#include <dcmtk/dcmjpeg/djrploss.h>
#include <dcmtk/dcmjpls/djrparam.h>
#include <fmt/format.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <fstream>
#include <memory>

#include "dicom/phantom_series.h"
#include "dicom/text.h"
#include "english.h"

namespace rayset::test {
namespace {

namespace fs = std::filesystem;
using Compression = CtWriteSettings::Compression;

class Pixels : public ::testing::Test {
 protected:
  Pixels() : grid(testGrid(21, 15, 10)), volume(testVolume(grid)) {}
  CtScan read() {
    auto scan = readCt(folder.path());
    EXPECT_TRUE(scan) << english(scan.error());
    return scan ? *scan : CtScan{};
  }
  TemporaryFolder folder;
  Grid grid;
  CtVolume volume;
};

TEST_F(Pixels, PlainDcmtkReadsWhatWasWritten) {
  // Independent of the reader: decompress the whole data set, take words and attributes one by one.
  for (const Compression c : {Compression::kNone, Compression::kRle, Compression::kJpegLossless, Compression::kJpegLs})
    for (const bool is_signed : {false, true}) {
      CtWriteSettings s;
      s.compression = c;
      s.is_signed = is_signed;
      s.rescale_slope = 0.5;
      s.rescale_intercept = -1000;
      TemporaryFolder own;
      writeSeries(own.path(), volume, s);
      for (int k = 0; k < grid.size.z(); ++k) {
        DcmFileFormat f;
        ASSERT_TRUE(f.loadFile(imageFile(own.path(), k + 1).c_str()).good());
        DcmDataset& d = *f.getDataset();
        ASSERT_TRUE(d.chooseRepresentation(EXS_LittleEndianExplicit, nullptr).good());
        Float64 slope = 0, intercept = 0, z = 0, row_spacing = 0, column_spacing = 0;
        d.findAndGetFloat64(DCM_RescaleSlope, slope);
        d.findAndGetFloat64(DCM_RescaleIntercept, intercept);
        d.findAndGetFloat64(DCM_ImagePositionPatient, z, 2);
        d.findAndGetFloat64(DCM_PixelSpacing, row_spacing, 0);
        d.findAndGetFloat64(DCM_PixelSpacing, column_spacing, 1);
        EXPECT_NEAR(z, grid.origin.z() + 0.7 * k, 1e-9);
        EXPECT_EQ(column_spacing, 0.6);
        EXPECT_EQ(row_spacing, 0.5);
        const Uint16* words = nullptr;
        unsigned long count = 0;
        ASSERT_TRUE(d.findAndGetUint16Array(DCM_PixelData, words, &count).good());
        ASSERT_GE(count, 21u * 15u);
        for (int j = 0; j < 15; ++j)
          for (int i = 0; i < 21; ++i) {
            const Uint16 w = words[j * 21 + i];
            const double stored = is_signed ? static_cast<double>(static_cast<Sint16>(w)) : static_cast<double>(w);
            ASSERT_EQ(stored * slope + intercept, std::max<double>(volume.at(i, j, k), is_signed ? -1024 : -1000));
          }
      }
    }
}

TEST_F(Pixels, SlopeAndInterceptPerSlice) {
  writeSeries(folder.path(), volume);
  editAll(folder.path(), [&](DcmDataset& d, int k) {
    const double slope = 0.25 + 0.05 * k, intercept = -1000 - k;
    std::vector<Uint16> words;
    for (int j = 0; j < grid.size.y(); ++j)
      for (int i = 0; i < grid.size.x(); ++i)
        words.push_back(static_cast<Uint16>(std::lround((volume.at(i, j, k) - intercept) / slope)));
    d.putAndInsertUint16Array(DCM_PixelData, words.data(), words.size());
    d.putAndInsertString(DCM_RescaleSlope, fmt::format("{}", slope).c_str());
    d.putAndInsertString(DCM_RescaleIntercept, fmt::format("{}", intercept).c_str());
  });
  const CtScan scan = read();
  ASSERT_EQ(scan.volume.voxels.size(), volume.voxels.size());
  for (std::size_t v = 0; v < volume.voxels.size(); ++v)
    ASSERT_NEAR(scan.volume.voxels[v], std::max<int>(volume.voxels[v], -1000), 1);
}

TEST_F(Pixels, OtherTransferSyntaxes) {
  for (const E_TransferSyntax syntax :
       {EXS_LittleEndianImplicit, EXS_LittleEndianExplicit, EXS_BigEndianExplicit, EXS_DeflatedLittleEndianExplicit}) {
    for (const bool enhanced : {false, true}) {
      SCOPED_TRACE(fmt::format("{} enhanced {}", DcmXfer(syntax).getXferName(), enhanced));
      fs::remove_all(folder.path());
      CtWriteSettings s;
      s.enhanced = enhanced;
      writeSeries(folder.path(), volume, s);
      for (const auto& file : dicomFiles(folder.path())) {
        DcmFileFormat f;
        ASSERT_TRUE(f.loadFile(file.c_str()).good());
        f.loadAllDataIntoMemory();
        ASSERT_TRUE(f.getDataset()->chooseRepresentation(syntax, nullptr).good());
        ASSERT_TRUE(f.saveFile(file.c_str(), syntax).good());
      }
      EXPECT_EQ(read().volume.voxels, volume.voxels);
    }
  }
}

TEST_F(Pixels, OtherJpegProcesses) {
  struct Case {
    const char* name;
    E_TransferSyntax syntax;
    std::unique_ptr<DcmRepresentationParameter> parameters;
    int off;  // the most a value may differ
  };
  std::vector<Case> cases;
  cases.push_back({"lossless, any predictor", EXS_JPEGProcess14, std::make_unique<DJ_RPLossless>(6, 0), 0});
  cases.push_back(
      {"JPEG-LS near-lossless", EXS_JPEGLSLossy, std::make_unique<DJLSRepresentationParameter>(2, OFFalse), 2});
  cases.push_back({"12-bit lossy", EXS_JPEGProcess2_4, std::make_unique<DJ_RPLossy>(95), 200});
  for (const bool enhanced : {false, true})
    for (const Case& c : cases) {
      // DCMTK rescales while it compresses with loss and puts the new slope where classic images have it.
      if (enhanced && c.syntax == EXS_JPEGProcess2_4) continue;
      SCOPED_TRACE(fmt::format("{} enhanced {}", c.name, enhanced));
      fs::remove_all(folder.path());
      CtWriteSettings s;
      s.enhanced = enhanced;
      s.bits_stored = 12;
      writeSeries(folder.path(), volume, s);
      for (const auto& file : dicomFiles(folder.path())) {
        DcmFileFormat f;
        ASSERT_TRUE(f.loadFile(file.c_str()).good());
        f.loadAllDataIntoMemory();
        const OFCondition done = f.getDataset()->chooseRepresentation(c.syntax, c.parameters.get());
        ASSERT_TRUE(done.good()) << done.text();
        ASSERT_TRUE(f.saveFile(file.c_str(), c.syntax).good());
      }
      const CtScan scan = read();
      ASSERT_EQ(scan.volume.voxels.size(), volume.voxels.size());
      int worst = 0;
      for (std::size_t v = 0; v < volume.voxels.size(); ++v)
        worst = std::max(worst, std::abs(scan.volume.voxels[v] - volume.voxels[v]));
      EXPECT_LE(worst, c.off);
      EXPECT_EQ(cautioned(scan, "compressed with loss"), c.off > 0);
    }
}

TEST_F(Pixels, DataSetsWithoutPreamble) {
  for (const E_TransferSyntax syntax : {EXS_LittleEndianImplicit, EXS_LittleEndianExplicit, EXS_BigEndianExplicit}) {
    fs::remove_all(folder.path());
    writeSeries(folder.path(), volume);
    for (const auto& file : dicomFiles(folder.path())) {
      DcmFileFormat f;
      ASSERT_TRUE(f.loadFile(file.c_str()).good());
      f.loadAllDataIntoMemory();
      ASSERT_TRUE(f.getDataset()->saveFile(file.c_str(), syntax).good());
    }
    EXPECT_EQ(read().volume.voxels, volume.voxels) << DcmXfer(syntax).getXferName();
  }
}

TEST_F(Pixels, PaddingBecomesAir) {
  struct Case {
    bool is_signed;
    int value;  // as stored
    bool as_other_vr;
  };
  for (const Case& c :
       {Case{false, 0, false}, Case{false, 65535, false}, Case{true, -2000, false}, Case{true, -2000, true}}) {
    SCOPED_TRACE(fmt::format("signed {} value {}", c.is_signed, c.value));
    fs::remove_all(folder.path());
    CtWriteSettings s;
    s.is_signed = c.is_signed;
    s.rescale_intercept = c.is_signed ? 0 : -1024;
    writeSeries(folder.path(), volume, s);
    editAll(folder.path(), [&](DcmDataset& d, int) {
      const Uint16* words = nullptr;
      unsigned long count = 0;
      d.findAndGetUint16Array(DCM_PixelData, words, &count);
      std::vector<Uint16> changed(words, words + count);
      changed[3] = static_cast<Uint16>(c.value);
      d.putAndInsertUint16Array(DCM_PixelData, changed.data(), count);
      if (c.is_signed && !c.as_other_vr)
        d.putAndInsertSint16(DcmTag(DCM_PixelPaddingValue, EVR_SS), static_cast<Sint16>(c.value));
      else
        d.putAndInsertUint16(DcmTag(DCM_PixelPaddingValue, EVR_US), static_cast<Uint16>(c.value));
    });
    const CtScan scan = read();
    CtVolume expected = volume;
    for (int k = 0; k < grid.size.z(); ++k) expected.at(3, 0, k) = -1024;
    EXPECT_EQ(scan.volume.voxels, expected.voxels);
    EXPECT_EQ(cautioned(scan, "Pixel Padding Value"), c.value == 65535);  // 64511 HU is no air: told
  }
}

TEST_F(Pixels, PaddingRange) {
  writeSeries(folder.path(), volume);
  editAll(folder.path(), [](DcmDataset& d, int) {
    d.putAndInsertUint16(DcmTag(DCM_PixelPaddingValue, EVR_US), 0);
    d.putAndInsertUint16(DcmTag(DCM_PixelPaddingRangeLimit, EVR_US), 524);  // up to -500 HU
  });
  const CtScan scan = read();
  for (std::size_t v = 0; v < volume.voxels.size(); ++v)
    ASSERT_EQ(scan.volume.voxels[v], volume.voxels[v] <= -500 ? -1024 : volume.voxels[v]);
}

TEST(StoredToHu, SignExtensionMaskingAndHighBit) {
  dicom::PixelFormat f;
  f.rows = 1;
  f.columns = 4;
  f.bits_allocated = 16;
  f.bits_stored = 12;
  f.high_bit = 11;
  f.is_signed = true;
  dicom::DecodeStats stats;
  std::int16_t hu[4];
  // Rubbish in the unused upper bits must not matter.
  const std::uint16_t words[] = {0x0800, 0x0fff, 0xf7ff, 0xa001};
  dicom::storedToHu(words, f, 1, 1100, hu, stats);
  EXPECT_THAT(hu, ::testing::ElementsAre(-2048 + 1100, -1 + 1100, 2047 + 1100, 1 + 1100));
  f.is_signed = false;
  dicom::storedToHu(words, f, 1, 0, hu, stats);
  EXPECT_THAT(hu, ::testing::ElementsAre(2048, 4095, 2047, 1));
  f.high_bit = 15;  // left-aligned
  const std::uint16_t left[] = {0x8000, 0xfff5, 0x7ff0, 0x0010};
  dicom::storedToHu(left, f, 1, 0, hu, stats);
  EXPECT_THAT(hu, ::testing::ElementsAre(2048, 4095, 2047, 1));
  // Clamping, and rounding half up.
  f.bits_stored = 16;
  const std::uint16_t wide[] = {0, 65535, 3, 5};
  dicom::storedToHu(wide, f, 1, -2000, hu, stats);
  EXPECT_THAT(hu, ::testing::ElementsAre(-1024, 32767, -1024, -1024));
  dicom::storedToHu(wide, f, 0.5, -1024, hu, stats);
  EXPECT_THAT(hu, ::testing::ElementsAre(-1024, 31744, -1022, -1021));
  f.bits_allocated = f.bits_stored = 8;
  f.high_bit = 7;
  const std::uint8_t bytes[] = {0, 255, 128, 1};
  dicom::storedToHu(bytes, f, 4, -1000, hu, stats);
  EXPECT_THAT(hu, ::testing::ElementsAre(-1000, 20, -488, -996));
}

TEST_F(Pixels, Monochrome1AndLossyAreTold) {
  writeSeries(folder.path(), volume);
  editAll(folder.path(), [](DcmDataset& d, int) {
    d.putAndInsertString(DCM_PhotometricInterpretation, "MONOCHROME1");
    d.putAndInsertString(DCM_LossyImageCompression, "01");
  });
  const CtScan scan = read();
  EXPECT_EQ(scan.volume.voxels, volume.voxels);
  EXPECT_TRUE(cautioned(scan, "MONOCHROME1"));
  EXPECT_TRUE(cautioned(scan, "compressed with loss"));
}

TEST_F(Pixels, ValuesWithoutAirAreTold) {
  CtVolume raw = volume;
  for (auto& v : raw.voxels) v = static_cast<std::int16_t>(std::max<int>(v, -1000) + 1000);
  writeSeries(folder.path(), raw);
  EXPECT_TRUE(cautioned(read(), "No air is seen"));
}

TEST_F(Pixels, TextIsDecoded) {
  struct Case {
    const char* set;
    std::string name;
    const char* expected;
  };
  // Examples of PS3.5 annexes H and I for Japanese and Korean names, Latin-1 and Greek by hand.
  const Case cases[] = {
      {"ISO_IR 100", "Buc^J\xe9r\xf4me", "Buc^Jérôme"},
      {"ISO_IR 126", "\xc4\xe9\xef\xed\xf5\xf3\xe9\xef\xf2", "Διονυσιος"},
      {"ISO_IR 192", "\xe7\x8e\x8b^\xe5\xb0\x8f\xe6\x9d\xb1", "王^小東"},
      {"\\ISO 2022 IR 87", "Yamada^Tarou=\033$B;3ED\033(B^\033$BB@O:\033(B", "Yamada^Tarou=山田^太郎"},
      {"\\ISO 2022 IR 149",
       "Hong^Gildong=\033$)C\373\363^\033$)C\321\316\324\327=\033$)C\310\253^\033$)C\261\346\265\277",
       "Hong^Gildong=洪^吉洞=홍^길동"},
      {"GB18030", "Wang^XiaoDong=\xcd\xf5^\xd0\xa1\xb6\xab", "Wang^XiaoDong=王^小东"},
      {"", "Buc^J\xe9r\xf4me", "Buc^Jérôme"},                // undeclared Latin-1
      {"ISO_IR 999", "Zo\xc3\xab", "Zoë"},                   // unknown set: UTF-8 if it looks like it
      {"ISO_IR 192", "bad \xff\xfe bytes", "bad ÿþ bytes"},  // declared UTF-8 that is not
  };
  for (const Case& c : cases) {
    SCOPED_TRACE(c.expected);
    fs::remove_all(folder.path());
    writeSeries(folder.path(), volume);
    editAll(folder.path(), [&](DcmDataset& d, int) {
      d.putAndInsertString(DCM_SpecificCharacterSet, c.set);
      d.putAndInsertString(DCM_PatientName, c.name.c_str());
      d.putAndInsertString(DCM_StudyDescription, "plain");
    });
    EXPECT_EQ(read().info.patient_name, c.expected);
  }
}

TEST(Text, NumbersAreWholeOrNothing) {
  EXPECT_EQ(dicom::parseDecimal(" +0.5 ").value(), 0.5);
  EXPECT_EQ(dicom::parseDecimal("-1.5E-2").value(), -0.015);
  for (const char* bad : {"", " ", "0,5", "1.5mm", "nan", "inf", "1e999", "0x10", "--1", "1 2"})
    EXPECT_FALSE(dicom::parseDecimal(bad)) << bad;
  EXPECT_EQ(dicom::parseInteger("007").value(), 7);
  for (const char* bad : {"1.0", "", "99999999999999999999"}) EXPECT_FALSE(dicom::parseInteger(bad)) << bad;
}

TEST_F(Pixels, SameCallWritesTheSameBytes) {
  for (const bool enhanced : {false, true}) {
    CtWriteSettings s;
    s.enhanced = enhanced;
    TemporaryFolder a, b, c;
    writeSeries(a.path(), volume, s);
    writeSeries(b.path(), volume, s);
    s.uid_seed = 2;
    writeSeries(c.path(), volume, s);
    const auto bytes = [](const fs::path& f) {
      std::ifstream in(f, std::ios::binary);
      return std::string(std::istreambuf_iterator<char>(in), {});
    };
    for (const auto& file : dicomFiles(a.path())) {
      EXPECT_EQ(bytes(file), bytes(b / file.filename().string()));
      EXPECT_NE(bytes(file), bytes(c / file.filename().string()));
    }
    const auto one = readCt(a.path()), other = readCt(c.path());
    ASSERT_TRUE(one && other);
    EXPECT_NE(one->info.series_uid, other->info.series_uid);
    EXPECT_THAT(one->info.series_uid, ::testing::MatchesRegex("2\\.25\\.[1-9][0-9]{30,38}"));
    EXPECT_LE(one->info.series_uid.size(), 64u);
  }
}

TEST_F(Pixels, SeriesOfOneStudyShareStudyAndFrame) {
  ScanInfo second = testInfo();
  second.series_number = "5";
  second.kernel = "Br40";
  writeSeries(folder / "a", volume);
  writeSeries(folder / "b", volume, {}, second);
  const auto one = readCt(folder / "a"), two = readCt(folder / "b");
  ASSERT_TRUE(one && two);
  EXPECT_EQ(one->info.study_uid, two->info.study_uid);
  EXPECT_EQ(one->info.frame_of_reference_uid, two->info.frame_of_reference_uid);
  EXPECT_NE(one->info.series_uid, two->info.series_uid);
}

}  // namespace
}  // namespace rayset::test
