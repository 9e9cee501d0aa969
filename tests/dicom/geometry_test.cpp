// Slices that are not the plain regular stack: order, duplicates, gaps, uneven spacing, tilt, orientation.
#include <dcmtk/config/osconfig.h>
#include <dcmtk/dcmdata/dctk.h>
#include <fmt/format.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <tbb/global_control.h>

#include <cmath>
#include <fstream>
#include <random>

#include "base/units.h"
#include "dicom/phantom_series.h"
#include "english.h"

namespace rayset::test {
namespace {

namespace fs = std::filesystem;
using ::testing::HasSubstr;

constexpr int kSlices = 24;

void setPosition(DcmDataset& d, const Vec3& p) {
  d.putAndInsertString(DCM_ImagePositionPatient, fmt::format("{:.6f}\\{:.6f}\\{:.6f}", p.x(), p.y(), p.z()).c_str());
}

/// Puts the HU of testHu at the pixels' places into the object (unsigned 16 bit, intercept -1024).
void paint(DcmDataset& d, const Vec3& position, const Grid& g) {
  std::vector<Uint16> words;
  for (int j = 0; j < g.size.y(); ++j)
    for (int i = 0; i < g.size.x(); ++i) {
      const Vec3 p = position + g.direction.col(0) * g.spacing.x() * i + g.direction.col(1) * g.spacing.y() * j;
      words.push_back(static_cast<Uint16>(std::lround(std::clamp(testHu(p), -1024.0, 3000.0)) + 1024));
    }
  d.putAndInsertUint16Array(DCM_PixelData, words.data(), words.size());
}

/// Root mean square difference to testHu, a margin of voxels left out at each face.
double rms(const CtVolume& v, int margin) {
  double sum = 0;
  int count = 0;
  for (int k = margin; k < v.grid.size.z() - margin; ++k)
    for (int j = margin; j < v.grid.size.y() - margin; ++j)
      for (int i = margin; i < v.grid.size.x() - margin; ++i) {
        const double d = v.at(i, j, k) - std::clamp(testHu(v.grid.toPatient(Vec3(i, j, k))), -1024.0, 3000.0);
        sum += d * d;
        ++count;
      }
  return std::sqrt(sum / count);
}

class GeometryTest : public ::testing::Test {
 protected:
  void SetUp() override { write(testGrid(23, 17, kSlices)); }
  void write(const Grid& g) {
    fs::remove_all(folder.path());
    grid = g;
    volume = testVolume(g);
    writeSeries(folder.path(), volume);
  }
  CtScan readWell() {
    auto scan = readCt(folder.path());
    EXPECT_TRUE(scan) << english(scan.error());
    return scan ? *scan : CtScan{};
  }
  Error readBadly() {
    auto scan = readCt(folder.path());
    EXPECT_FALSE(scan) << "read although it should not be";
    if (scan) return {};
    EXPECT_EQ(scan.error().fault, Fault::kImages);
    EXPECT_FALSE(english(scan.error().remedy).empty());
    EXPECT_FALSE(scan.error().where.empty());
    return scan.error();
  }
  TemporaryFolder folder;
  Grid grid;
  CtVolume volume;
};

TEST_F(GeometryTest, FileOrderAndInstanceNumbersDoNotMatter) {
  // Names shuffled into subfolders, instance numbers running against the positions.
  std::vector<int> order(kSlices);
  for (int k = 0; k < kSlices; ++k) order[static_cast<std::size_t>(k)] = (k * 7) % kSlices;
  editAll(folder.path(), [](DcmDataset& d, int k) {
    d.putAndInsertString(DCM_InstanceNumber, std::to_string((k * 5 + 3) % kSlices).c_str());
  });
  fs::create_directories(folder / "a/b");
  for (int k = 0; k < kSlices; ++k)
    fs::rename(imageFile(folder.path(), k + 1),
               folder / fmt::format("{}x{:02d}", k % 2 ? "a/b/" : "a/", order[static_cast<std::size_t>(k)]));
  const CtScan scan = readWell();
  EXPECT_EQ(scan.volume.voxels, volume.voxels);
  EXPECT_TRUE(scan.volume.grid.origin.isApprox(grid.origin, 1e-9));
}

TEST_F(GeometryTest, LeftHandedOrderIsTurnedRound) {
  // Written from head to foot: the grid is still right-handed and every voxel keeps its place.
  Grid g = grid;
  g.origin = grid.toPatient(Vec3(0, 0, kSlices - 1));
  g.direction.col(2) = -grid.direction.col(2);
  CtVolume turned(g);
  for (int k = 0; k < kSlices; ++k)
    for (int j = 0; j < g.size.y(); ++j)
      for (int i = 0; i < g.size.x(); ++i) turned.at(i, j, k) = volume.at(i, j, kSlices - 1 - k);
  fs::remove_all(folder.path());
  writeSeries(folder.path(), turned);
  const CtScan scan = readWell();
  EXPECT_GT(scan.volume.grid.direction.determinant(), 0.999);
  EXPECT_EQ(scan.volume.voxels, volume.voxels);
}

TEST_F(GeometryTest, SliceThicknessIsNotSpacing) {
  editAll(folder.path(), [](DcmDataset& d, int) { d.putAndInsertString(DCM_SliceThickness, "2"); });
  EXPECT_NEAR(readWell().volume.grid.spacing.z(), 0.7, 1e-9);
}

TEST_F(GeometryTest, ThinSlicesFarApartAreCautioned) {
  editAll(folder.path(), [](DcmDataset& d, int) { d.putAndInsertString(DCM_SliceThickness, "0.3"); });
  EXPECT_TRUE(cautioned(readWell(), "bone between them was not imaged"));
}

TEST_F(GeometryTest, RepeatedSliceIsDroppedAndTold) {
  fs::copy(imageFile(folder.path(), 5), folder / "copy.dcm");
  const CtScan scan = readWell();
  EXPECT_EQ(scan.volume.voxels, volume.voxels);
  EXPECT_TRUE(cautioned(scan, "1 slice lay at the place of another")) << ::testing::PrintToString(scan.cautions);
  EXPECT_TRUE(cautioned(scan, "copy.dcm"));
}

TEST_F(GeometryTest, WholeSeriesTwiceIsReadOnce) {
  fs::create_directories(folder / "again");
  for (const auto& f : dicomFiles(folder.path())) fs::copy(f, folder / "again" / f.filename().string());
  const CtScan scan = readWell();
  EXPECT_EQ(scan.volume.voxels, volume.voxels);
  EXPECT_TRUE(cautioned(scan, fmt::format("{} slices lay", kSlices)));
}

TEST_F(GeometryTest, TwoPicturesAtOnePlaceAreAnError) {
  fs::copy(imageFile(folder.path(), 5), folder / "other.dcm");
  edit(folder / "other.dcm", [&](DcmDataset& d) {
    d.putAndInsertString(DCM_SOPInstanceUID, "2.25.77");
    paint(d, grid.toPatient(Vec3(3, 2, 9)), grid);
  });
  const Error e = readBadly();
  EXPECT_THAT(english(e.what), HasSubstr("two different images lie at one place"));
  EXPECT_THAT(english(e.what), HasSubstr("IM0005.dcm"));
  EXPECT_THAT(english(e.what), HasSubstr("other.dcm"));
  EXPECT_THAT(e.where, HasSubstr("(0020,0032)"));
}

TEST_F(GeometryTest, TwoAcquisitionsInOneSeriesAreSeparated) {
  fs::create_directories(folder / "second");
  for (const auto& f : dicomFiles(folder.path())) {
    const fs::path to = folder / "second" / f.filename().string();
    fs::copy(f, to);
    edit(to, [&](DcmDataset& d) {
      OFString uid;
      d.findAndGetOFString(DCM_SOPInstanceUID, uid);
      d.putAndInsertString(DCM_SOPInstanceUID, fmt::format("{}.2", uid.substr(0, 40).c_str()).c_str());
      d.putAndInsertString(DCM_AcquisitionNumber, "2");
      paint(d, grid.origin, grid);
    });
  }
  const CtScan scan = readWell();
  EXPECT_EQ(scan.volume.voxels, volume.voxels);
  EXPECT_TRUE(cautioned(scan, "acquisition 1")) << ::testing::PrintToString(scan.cautions);
  EXPECT_TRUE(cautioned(scan, "acquisition 2"));
}

TEST_F(GeometryTest, AcquisitionsBetweenEachOthersSlicesAreSeparated) {
  // Half a slice apart: together they would look like one even stack of twice as many slices.
  for (const double offset : {0.5, 0.4}) {
    write(grid);
    Grid g = grid;
    g.origin = grid.toPatient(Vec3(0, 0, offset));
    TemporaryFolder second;
    writeSeries(second.path(), testVolume(g));
    DcmFileFormat first;
    ASSERT_TRUE(first.loadFile(imageFile(folder.path(), 1).c_str()).good());
    OFString uid;
    first.getDataset()->findAndGetOFString(DCM_SeriesInstanceUID, uid);
    for (const auto& f : dicomFiles(second.path())) {
      edit(f, [&](DcmDataset& d) {
        d.putAndInsertString(DCM_SeriesInstanceUID, uid.c_str());
        d.putAndInsertString(DCM_AcquisitionNumber, "2");
      });
      fs::copy(f, folder / fmt::format("x{}", f.filename().string()));
    }
    const CtScan scan = readWell();
    EXPECT_EQ(scan.volume.voxels, volume.voxels);
    EXPECT_TRUE(cautioned(scan, "series 4 'Foot 0.7 Br59'/acquisition 2")) << ::testing::PrintToString(scan.cautions);
    ReadSettings settings;
    settings.series = "4/acquisition 2";
    const auto other = readCt(folder.path(), settings);
    ASSERT_TRUE(other) << english(other.error());
    EXPECT_TRUE(other->volume.grid.origin.isApprox(g.origin, 1e-9));
    settings.series = "4/acquisition 3";
    const auto none = readCt(folder.path(), settings);
    ASSERT_FALSE(none);
    EXPECT_EQ(none.error().fault, Fault::kRequest);
    EXPECT_THAT(english(none.error()), HasSubstr("/acquisition 2"));
  }
}

TEST_F(GeometryTest, AcquisitionsOneAfterTheOtherStayTogether) {
  // Step-and-shoot: the acquisition number changes every few slices.
  editAll(folder.path(),
          [](DcmDataset& d, int k) { d.putAndInsertString(DCM_AcquisitionNumber, std::to_string(k / 8).c_str()); });
  const CtScan scan = readWell();
  EXPECT_EQ(scan.volume.voxels, volume.voxels);
  EXPECT_THAT(english(scan.cautions), ::testing::IsEmpty());
}

TEST_F(GeometryTest, NothingDependsOnTheNumberOfThreads) {
  const double shear = 0.2;
  editAll(folder.path(), [&](DcmDataset& d, int k) {
    setPosition(d, grid.toPatient(Vec3(0, 0, k)) + grid.direction.col(1) * (shear * 0.7 * k));
    if (k == 5 || k == 9) d.findAndDeleteElement(DCM_RescaleSlope);
  });
  std::vector<std::string> errors;
  std::vector<std::vector<std::int16_t>> voxels;
  for (const std::size_t threads : {1, 2, 7}) {
    const tbb::global_control control(tbb::global_control::max_allowed_parallelism, threads);
    errors.push_back(english(readBadly()));
  }
  fs::remove(imageFile(folder.path(), 10));
  edit(imageFile(folder.path(), 6), [](DcmDataset& d) { d.putAndInsertString(DCM_RescaleSlope, "1"); });
  for (const std::size_t threads : {1, 2, 7}) {
    const tbb::global_control control(tbb::global_control::max_allowed_parallelism, threads);
    voxels.push_back(readWell().volume.voxels);
  }
  EXPECT_EQ(errors[0], errors[1]);
  EXPECT_EQ(errors[0], errors[2]);
  EXPECT_EQ(voxels[0], voxels[1]);
  EXPECT_EQ(voxels[0], voxels[2]);
}

TEST_F(GeometryTest, OneMissingSliceIsInterpolatedAndTold) {
  fs::remove(imageFile(folder.path(), 11));
  const CtScan scan = readWell();
  EXPECT_EQ(scan.volume.grid.size.z(), kSlices);
  EXPECT_NEAR(scan.volume.grid.spacing.z(), 0.7, 1e-9);
  EXPECT_TRUE(cautioned(scan, "One slice missing between IM0010.dcm")) << ::testing::PrintToString(scan.cautions);
  EXPECT_TRUE(cautioned(scan, english().text(number(grid.toPatient(Vec3(0, 0, 9)).z(), 2))));
  for (int k = 0; k < kSlices; ++k)
    for (int j = 0; j < grid.size.y(); ++j)
      for (int i = 0; i < grid.size.x(); ++i) {
        if (k != 10)
          ASSERT_EQ(scan.volume.at(i, j, k), volume.at(i, j, k));
        else
          ASSERT_NEAR(scan.volume.at(i, j, k), 0.5 * (volume.at(i, j, 9) + volume.at(i, j, 11)), 0.51);
      }
}

TEST_F(GeometryTest, ManyMissingSlicesAreAnError) {
  for (int k = 9; k < 14; ++k) fs::remove(imageFile(folder.path(), k));
  const Error e = readBadly();
  EXPECT_THAT(english(e.what), HasSubstr("5 slices of 24 are missing"));
  EXPECT_THAT(english(e.what), HasSubstr("IM0008.dcm"));
  EXPECT_THAT(e.where, HasSubstr("Image Position (Patient) (0020,0032)"));
}

TEST_F(GeometryTest, TwoHolesSideBySideAreAnError) {
  fs::remove(imageFile(folder.path(), 10));
  fs::remove(imageFile(folder.path(), 12));
  EXPECT_THAT(english(readBadly().what), HasSubstr("2 slices of 24 are missing"));
}

TEST_F(GeometryTest, WideGapIsAnErrorEvenForOneSlice) {
  Grid g = grid;
  g.spacing.z() = 2.0;
  write(g);
  fs::remove(imageFile(folder.path(), 11));
  EXPECT_THAT(english(readBadly().what), HasSubstr("the widest gap is 4.00 mm"));
}

TEST_F(GeometryTest, RoundedPositionsAreAnEvenStack) {
  // 0.7 mm slices whose positions were rounded to whole twentieths: up to 0.025 mm off.
  editAll(folder.path(), [&](DcmDataset& d, int k) {
    Vec3 p = grid.toPatient(Vec3(0, 0, k * 1.0));
    p.z() = std::round((p.z() + 0.013 * (k % 2)) * 20) / 20;
    setPosition(d, p);
  });
  const CtScan scan = readWell();
  EXPECT_EQ(scan.volume.voxels, volume.voxels);
  EXPECT_THAT(english(scan.cautions), ::testing::IsEmpty());
  EXPECT_NEAR(scan.volume.grid.spacing.z(), 0.7, 0.005);
}

TEST_F(GeometryTest, MildlyUnevenSlicesAreResampled) {
  editAll(folder.path(), [&](DcmDataset& d, int k) {
    const Vec3 p = grid.toPatient(Vec3(0, 0, k + 0.9 * std::sin(k * 0.35)));  // spacing 0.48 to 0.92 mm
    setPosition(d, p);
    paint(d, p, grid);
  });
  const CtScan scan = readWell();
  EXPECT_TRUE(cautioned(scan, "unevenly spaced")) << ::testing::PrintToString(scan.cautions);
  EXPECT_LT(rms(scan.volume, 1), 25);  // linear interpolation of 900 HU waves; 240 HU if the unevenness is ignored
}

TEST_F(GeometryTest, StronglyUnevenSlicesAreRejected) {
  editAll(folder.path(), [&](DcmDataset& d, int k) {
    setPosition(d, grid.toPatient(Vec3(0, 0, k + (k > 11 ? 0.8 * (k - 11) : 0.0))));
  });
  EXPECT_THAT(english(readBadly().what), HasSubstr("unevenly spaced: from 0.7 mm"));
}

TEST_F(GeometryTest, TiltedGantryIsResampledUpright) {
  for (const double tilt : {18.0, -11.0}) {
    write(testGrid(60, 50, 40));
    const double shear = std::tan(toRadians(tilt));
    editAll(folder.path(), [&](DcmDataset& d, int k) {
      const Vec3 p = grid.toPatient(Vec3(0, 0, k)) + grid.direction.col(1) * (shear * 0.7 * k);
      setPosition(d, p);
      paint(d, p, grid);
    });
    const CtScan scan = readWell();
    EXPECT_TRUE(cautioned(scan, fmt::format("tilted by {:.1f} degrees", std::abs(tilt))))
        << ::testing::PrintToString(scan.cautions);
    EXPECT_NEAR(scan.volume.grid.direction.determinant(), 1, 1e-9);
    EXPECT_EQ(scan.volume.grid.size.x(), 60);
    EXPECT_EQ(scan.volume.grid.size.y(), 50 + static_cast<int>(std::ceil(std::abs(shear) * 0.7 * 39 / 0.5)));
    // Compare where the slices were: rows that every slice covers.
    double worst = 0;
    const int drift = scan.volume.grid.size.y() - 50;
    for (int k = 0; k < 40; ++k)
      for (int j = drift + 2; j < 48; ++j)
        for (int i = 2; i < 58; ++i)
          worst =
              std::max(worst, std::abs(scan.volume.at(i, j, k) -
                                       std::clamp(testHu(scan.volume.grid.toPatient(Vec3(i, j, k))), -1024.0, 3000.0)));
    EXPECT_LT(worst, 12) << "tilt "
                         << tilt;  // cubic interpolation of smooth waves; hundreds if the shear has the wrong sign
    EXPECT_EQ(scan.volume.at(30, tilt > 0 ? scan.volume.grid.size.y() - 1 : 0, 0), -1024);  // outside the first slice
  }
}

TEST_F(GeometryTest, TiltWithAMissingSlice) {
  write(testGrid(40, 40, 40));
  const double shear = std::tan(toRadians(12.0));
  editAll(folder.path(), [&](DcmDataset& d, int k) {
    const Vec3 p = grid.toPatient(Vec3(0, 0, k)) + grid.direction.col(1) * (shear * 0.7 * k);
    setPosition(d, p);
    paint(d, p, grid);
  });
  fs::remove(imageFile(folder.path(), 20));
  const CtScan scan = readWell();
  EXPECT_TRUE(cautioned(scan, "tilted by 12.0"));
  EXPECT_TRUE(cautioned(scan, "interpolated"));
  double worst = 0;
  for (int j = 20; j < 36; ++j)
    for (int i = 2; i < 38; ++i)
      worst = std::max(worst, std::abs(scan.volume.at(i, j, 19) - testHu(scan.volume.grid.toPatient(Vec3(i, j, 19)))));
  EXPECT_LT(worst, 100);  // 1.4 mm linear across the gap
}

TEST_F(GeometryTest, SliceOffToTheSideIsAnError) {
  edit(imageFile(folder.path(), 9), [&](DcmDataset& d) { setPosition(d, grid.toPatient(Vec3(8, 0, 8))); });
  EXPECT_THAT(english(readBadly().what), HasSubstr("to the side"));
}

TEST_F(GeometryTest, ImpossibleTiltIsAnError) {
  editAll(folder.path(), [&](DcmDataset& d, int k) { setPosition(d, grid.toPatient(Vec3(k * 2, 0, k))); });
  EXPECT_THAT(english(readBadly().what), HasSubstr("more than any gantry tilts"));
}

TEST_F(GeometryTest, ThickSlicesAreAnErrorWithAdvice) {
  Grid g = grid;
  g.spacing.z() = 8;
  write(g);
  const Error e = readBadly();
  EXPECT_THAT(english(e.what), HasSubstr("8 mm apart"));
  EXPECT_THAT(english(e.remedy), HasSubstr("thin slices"));
}

TEST_F(GeometryTest, MixedOrientationsInOneSeriesUseTheLargerStack) {
  Grid other = testGrid(23, 17, 9, (Mat3() << 1, 0, 0, 0, 0, 1, 0, -1, 0).finished());
  TemporaryFolder second;
  writeSeries(second.path(), testVolume(other));
  DcmFileFormat first;
  ASSERT_TRUE(first.loadFile(imageFile(folder.path(), 1).c_str()).good());
  OFString uid, frame;
  first.getDataset()->findAndGetOFString(DCM_SeriesInstanceUID, uid);
  for (const auto& f : dicomFiles(second.path())) {
    edit(f, [&](DcmDataset& d) { d.putAndInsertString(DCM_SeriesInstanceUID, uid.c_str()); });
    fs::copy(f, folder / fmt::format("x{}", f.filename().string()));
  }
  const CtScan scan = readWell();
  EXPECT_EQ(scan.volume.voxels, volume.voxels);
  EXPECT_TRUE(cautioned(scan, "axial")) << ::testing::PrintToString(scan.cautions);
  EXPECT_TRUE(cautioned(scan, "coronal"));
}

TEST_F(GeometryTest, EnhancedFramesInAnyOrder) {
  // The frames of an enhanced object sorted by position, whatever their order in the file.
  fs::remove_all(folder.path());
  CtWriteSettings s;
  s.enhanced = true;
  writeSeries(folder.path(), volume, s);
  edit(imageFile(folder.path(), 1), [&](DcmDataset& d) {
    // Reverse the slices: pixel data and plane positions.
    const Uint16* words = nullptr;
    unsigned long count = 0;
    ASSERT_TRUE(d.findAndGetUint16Array(DCM_PixelData, words, &count).good());
    const std::size_t size = 23 * 17;
    std::vector<Uint16> turned;
    for (int k = kSlices - 1; k >= 0; --k)
      turned.insert(turned.end(), words + static_cast<std::size_t>(k) * size,
                    words + (static_cast<std::size_t>(k) + 1) * size);
    d.putAndInsertUint16Array(DCM_PixelData, turned.data(), turned.size());
    for (int k = 0; k < kSlices; ++k) {
      DcmItem *frame = nullptr, *plane = nullptr;
      ASSERT_TRUE(d.findAndGetSequenceItem(DCM_PerFrameFunctionalGroupsSequence, frame, k).good());
      ASSERT_TRUE(frame->findAndGetSequenceItem(DCM_PlanePositionSequence, plane, 0).good());
      const Vec3 p = grid.toPatient(Vec3(0, 0, kSlices - 1 - k));
      plane->putAndInsertString(DCM_ImagePositionPatient,
                                fmt::format("{:.6f}\\{:.6f}\\{:.6f}", p.x(), p.y(), p.z()).c_str());
    }
  });
  EXPECT_EQ(readWell().volume.voxels, volume.voxels);
}

TEST_F(GeometryTest, StacksOfOneEnhancedObjectAreSeparated) {
  // Frames 13 to 24 lie where frames 1 to 12 lie: another stack of the same object (Stack ID, C.7.6.16.2.2.4).
  fs::remove_all(folder.path());
  CtWriteSettings s;
  s.enhanced = true;
  writeSeries(folder.path(), volume, s);
  edit(imageFile(folder.path(), 1), [&](DcmDataset& d) {
    for (int k = 12; k < kSlices; ++k) {
      DcmItem *frame = nullptr, *plane = nullptr, *content = nullptr;
      ASSERT_TRUE(d.findAndGetSequenceItem(DCM_PerFrameFunctionalGroupsSequence, frame, k).good());
      ASSERT_TRUE(frame->findAndGetSequenceItem(DCM_PlanePositionSequence, plane, 0).good());
      ASSERT_TRUE(frame->findAndGetSequenceItem(DCM_FrameContentSequence, content, 0).good());
      const Vec3 p = grid.toPatient(Vec3(0, 0, k - 12));
      plane->putAndInsertString(DCM_ImagePositionPatient,
                                fmt::format("{:.6f}\\{:.6f}\\{:.6f}", p.x(), p.y(), p.z()).c_str());
      content->putAndInsertString(DCM_StackID, "2");
    }
  });
  const CtScan scan = readWell();
  ASSERT_EQ(scan.volume.grid.size.z(), 12);
  EXPECT_TRUE(std::equal(scan.volume.voxels.begin(), scan.volume.voxels.end(), volume.voxels.begin()));
  EXPECT_TRUE(cautioned(scan, "/stack 2")) << ::testing::PrintToString(scan.cautions);
  ReadSettings second;
  second.series = "4/stack 2";
  const auto other = readCt(folder.path(), second);
  ASSERT_TRUE(other) << english(other.error());
  const auto half = static_cast<std::ptrdiff_t>(volume.voxels.size() / 2);
  EXPECT_TRUE(std::equal(other->volume.voxels.begin(), other->volume.voxels.end(), volume.voxels.begin() + half));
}

TEST_F(GeometryTest, OneStackMayBeSpreadOverEnhancedObjectsWithSlopesPerFrame) {
  fs::remove_all(folder.path());
  ScanInfo info = testInfo();
  info.series_uid = "2.25.99";
  for (const int from : {0, 12}) {
    Grid g = grid;
    g.size.z() = 12;
    g.origin = grid.toPatient(Vec3(0, 0, from));
    CtWriteSettings s;
    s.enhanced = true;
    s.uid_seed = static_cast<std::uint64_t>(from) + 1;
    info.frame_of_reference_uid = "2.25.98";
    info.study_uid = "2.25.97";
    const CtVolume part = testVolume(g);
    const fs::path own = folder / fmt::format("part {}", from);
    writeSeries(own, part, s, info);
    edit(imageFile(own, 1), [&](DcmDataset& d) {
      d.putAndInsertString(DCM_SOPInstanceUID, fmt::format("2.25.{}", 200 + from).c_str());
      DcmItem* shared = nullptr;
      ASSERT_TRUE(d.findAndGetSequenceItem(DCM_SharedFunctionalGroupsSequence, shared, 0).good());
      shared->findAndDeleteElement(DCM_PixelValueTransformationSequence);
      std::vector<Uint16> words;
      for (int k = 0; k < 12; ++k) {
        DcmItem *frame = nullptr, *transform = nullptr;
        ASSERT_TRUE(d.findAndGetSequenceItem(DCM_PerFrameFunctionalGroupsSequence, frame, k).good());
        ASSERT_TRUE(frame->findOrCreateSequenceItem(DCM_PixelValueTransformationSequence, transform, -2).good());
        const double slope = k % 2 ? 0.5 : 0.25;
        transform->putAndInsertString(DCM_RescaleSlope, fmt::format("{}", slope).c_str());
        transform->putAndInsertString(DCM_RescaleIntercept, "-1024");
        transform->putAndInsertString(DCM_RescaleType, "HU");
        for (int j = 0; j < g.size.y(); ++j)
          for (int i = 0; i < g.size.x(); ++i)
            words.push_back(static_cast<Uint16>(std::lround((part.at(i, j, k) + 1024) / slope)));
      }
      d.putAndInsertUint16Array(DCM_PixelData, words.data(), words.size());
    });
  }
  const CtScan scan = readWell();
  EXPECT_EQ(scan.volume.voxels, volume.voxels);
  EXPECT_EQ(scan.info.files, 2u);
  EXPECT_THAT(english(scan.cautions), ::testing::IsEmpty());
}

TEST_F(GeometryTest, OneEnhancedFileMayBeGivenByItself) {
  fs::remove_all(folder.path());
  CtWriteSettings s;
  s.enhanced = true;
  writeSeries(folder.path(), volume, s);
  const auto scan = readCt(imageFile(folder.path(), 1));
  ASSERT_TRUE(scan) << english(scan.error());
  EXPECT_EQ(scan->volume.voxels, volume.voxels);
}

}  // namespace
}  // namespace rayset::test
