// Folders and files that cannot be planned from: each gets an error that names file, attribute and remedy.
#include <dcmtk/config/osconfig.h>
#include <dcmtk/dcmdata/dcpixseq.h>
#include <dcmtk/dcmdata/dcpxitem.h>
#include <dcmtk/dcmdata/dctk.h>
#include <fmt/format.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <atomic>
#include <fstream>

#include "dicom/phantom_series.h"
#include "english.h"

namespace rayset::test {
namespace {

namespace fs = std::filesystem;
using ::testing::AllOf;
using ::testing::HasSubstr;

void put(const fs::path& file, const std::string& text) { std::ofstream(file, std::ios::binary) << text; }

class BadInput : public ::testing::Test {
 protected:
  BadInput() : grid(testGrid(20, 16, 12)), volume(testVolume(grid)) {}
  void write(const CtWriteSettings& s = {}, const ScanInfo& info = testInfo()) {
    writeSeries(folder.path(), volume, s, info);
  }
  void writeEnhanced() {
    CtWriteSettings s;
    s.enhanced = true;
    write(s);
  }
  Error error(Fault fault = Fault::kImages, const ReadSettings& settings = {}) {
    auto scan = readCt(folder.path(), settings);
    EXPECT_FALSE(scan) << "read although it should not be";
    if (scan) return {};
    EXPECT_EQ(scan.error().fault, fault) << english(scan.error());
    EXPECT_FALSE(english(scan.error().remedy).empty()) << english(scan.error());
    EXPECT_FALSE(scan.error().where.empty()) << english(scan.error());
    return scan.error();
  }
  void spoil(int number, const std::function<void(DcmDataset&)>& change) {
    edit(imageFile(folder.path(), number), change);
  }
  TemporaryFolder folder;
  Grid grid;
  CtVolume volume;
};

TEST_F(BadInput, MissingPath) {
  const auto scan = readCt(folder / "nowhere");
  ASSERT_FALSE(scan);
  EXPECT_EQ(scan.error().fault, Fault::kRequest);
  EXPECT_THAT(scan.error().where, HasSubstr("nowhere"));
}

TEST_F(BadInput, EmptyFolder) { EXPECT_THAT(english(error().what), HasSubstr("empty")); }

TEST_F(BadInput, NoDicomAtAll) {
  put(folder / "notes.txt", "8\0 not an image, but long enough to look at twice");
  put(folder / "report.pdf", "%PDF-1.4 and so on and on and on and on");
  put(folder / "tiny", "x");
  put(folder / "nothing", "");
  const Error e = error();
  EXPECT_THAT(english(e.what), AllOf(HasSubstr("no CT image"), HasSubstr("4 x file that is not DICOM")));
}

TEST_F(BadInput, WrongModality) {
  write();
  editAll(folder.path(), [](DcmDataset& d, int) {
    d.putAndInsertString(DCM_SOPClassUID, UID_MRImageStorage);
    d.putAndInsertString(DCM_Modality, "MR");
  });
  EXPECT_THAT(english(error().what), AllOf(HasSubstr("no CT image"), HasSubstr("12 x MR Image Storage")));
}

TEST_F(BadInput, CtObjectWithAnotherModality) {
  write();
  editAll(folder.path(), [](DcmDataset& d, int) { d.putAndInsertString(DCM_Modality, "PT"); });
  EXPECT_THAT(english(error().what), AllOf(HasSubstr("Modality (0008,0060) is PT")));
}

TEST_F(BadInput, ForeignFilesAreLeftAsideAndTold) {
  write();
  fs::create_directories(folder / "more/deeper");
  put(folder / "more/notes.txt", "Take the foot series, not the ankle one.");
  put(folder / "more/deeper/viewer.exe", std::string("MZ\x90\0\3\0\0\0", 8) + std::string(500, '\7'));
  const auto convert = [&](const char* name, const char* sop_class, const char* modality) {
    fs::copy(imageFile(folder.path(), 1), folder / name);
    edit(folder / name, [&](DcmDataset& d) {
      d.putAndInsertString(DCM_SOPClassUID, sop_class);
      d.putAndInsertString(DCM_Modality, modality);
    });
  };
  convert("rtss", UID_RTStructureSetStorage, "RTSTRUCT");
  convert("seg", UID_SegmentationStorage, "SEG");
  convert("mr", UID_MRImageStorage, "MR");
  convert("pdf", UID_EncapsulatedPDFStorage, "DOC");
  fs::copy(imageFile(folder.path(), 3), folder / "scout");
  edit(folder / "scout", [](DcmDataset& d) { d.putAndInsertString(DCM_ImageType, "ORIGINAL\\PRIMARY\\LOCALIZER"); });
  fs::copy(imageFile(folder.path(), 3), folder / "colour");
  edit(folder / "colour", [](DcmDataset& d) {
    d.putAndInsertUint16(DCM_SamplesPerPixel, 3);
    d.putAndInsertString(DCM_PhotometricInterpretation, "RGB");
  });
  // A DICOMDIR as on a CD.
  {
    DcmFileFormat directory;
    directory.getDataset()->putAndInsertString(DCM_FileSetID, "TEST");
    directory.getMetaInfo()->putAndInsertString(DCM_MediaStorageSOPClassUID, UID_MediaStorageDirectoryStorage);
    directory.getMetaInfo()->putAndInsertString(DCM_MediaStorageSOPInstanceUID, "2.25.5");
    ASSERT_TRUE(directory
                    .saveFile((folder / "DICOMDIR").c_str(), EXS_LittleEndianExplicit, EET_ExplicitLength, EGL_recalcGL,
                              EPD_noChange, 0, 0, EWM_createNewMeta)
                    .good() ||
                directory.saveFile((folder / "DICOMDIR").c_str(), EXS_LittleEndianExplicit).good());
  }
  const auto scan = readCt(folder.path());
  ASSERT_TRUE(scan) << english(scan.error());
  EXPECT_EQ(scan->volume.voxels, volume.voxels);
  EXPECT_EQ(scan->info.files, 12u);
  for (const char* what : {"2 x file that is not DICOM", "RT Structure Set Storage", "Segmentation Storage",
                           "MR Image Storage", "Encapsulated PDF Storage", "localizer", "colour picture", "DICOM"})
    EXPECT_TRUE(cautioned(*scan, what)) << what << ::testing::PrintToString(scan->cautions);
}

struct MissingCase {
  const char* name;
  DcmTagKey tag;
  const char* label;
};

TEST_F(BadInput, EachMissingAttributeIsNamed) {
  const MissingCase cases[] = {
      {"Rows", DCM_Rows, "Rows (0028,0010)"},
      {"Columns", DCM_Columns, "Columns (0028,0011)"},
      {"Pixel Spacing", DCM_PixelSpacing, "Pixel Spacing (0028,0030)"},
      {"Image Position", DCM_ImagePositionPatient, "Image Position (Patient) (0020,0032)"},
      {"Image Orientation", DCM_ImageOrientationPatient, "Image Orientation (Patient) (0020,0037)"},
      {"Rescale Slope", DCM_RescaleSlope, "Rescale Slope (0028,1053)"},
      {"Rescale Intercept", DCM_RescaleIntercept, "Rescale Intercept (0028,1052)"},
      {"Bits Allocated", DCM_BitsAllocated, "Bits Allocated (0028,0100)"},
      {"Bits Stored", DCM_BitsStored, "Bits Stored (0028,0101)"},
      {"Pixel Representation", DCM_PixelRepresentation, "Pixel Representation (0028,0103)"},
      {"Series Instance UID", DCM_SeriesInstanceUID, "Series Instance UID (0020,000E)"},
      {"Pixel Data", DCM_PixelData, "Pixel Data (7FE0,0010)"}};
  for (const MissingCase& c : cases) {
    SCOPED_TRACE(c.name);
    fs::remove_all(folder.path());
    write();
    editAll(folder.path(), [&](DcmDataset& d, int) { d.findAndDeleteElement(c.tag); });
    EXPECT_THAT(error().where, AllOf(HasSubstr("IM0001.dcm"), HasSubstr(c.label)));
    if (c.tag == DCM_SeriesInstanceUID) continue;  // one such file is just a series of its own
    // In one file only: the series is spoilt, and the message names that file.
    fs::remove_all(folder.path());
    write();
    spoil(7, [&](DcmDataset& d) { d.findAndDeleteElement(c.tag); });
    EXPECT_THAT(error().where, AllOf(HasSubstr("IM0007.dcm"), HasSubstr(c.label)));
  }
}

TEST_F(BadInput, MissingFunctionalGroupsOfEnhanced) {
  for (const auto& [sequence, label] : std::vector<std::pair<DcmTagKey, std::string>>{
           {DCM_PixelMeasuresSequence, "Pixel Spacing (0028,0030)"},
           {DCM_PlaneOrientationSequence, "Image Orientation (Patient) (0020,0037)"},
           {DCM_PixelValueTransformationSequence, "Rescale Intercept (0028,1052)"}}) {
    fs::remove_all(folder.path());
    writeEnhanced();
    spoil(1, [&](DcmDataset& d) {
      DcmItem* shared = nullptr;
      ASSERT_TRUE(d.findAndGetSequenceItem(DCM_SharedFunctionalGroupsSequence, shared, 0).good());
      shared->findAndDeleteElement(sequence);
    });
    EXPECT_THAT(error().where, AllOf(HasSubstr("IM0001.dcm, frame 1"), HasSubstr(label)));
  }
  fs::remove_all(folder.path());
  writeEnhanced();
  spoil(1, [&](DcmDataset& d) {
    DcmItem* frame = nullptr;
    ASSERT_TRUE(d.findAndGetSequenceItem(DCM_PerFrameFunctionalGroupsSequence, frame, 4).good());
    frame->findAndDeleteElement(DCM_PlanePositionSequence);
  });
  EXPECT_THAT(error().where, AllOf(HasSubstr("frame 5"), HasSubstr("Image Position (Patient) (0020,0032)")));
}

TEST_F(BadInput, SeveralFaultyFilesAreCounted) {
  write();
  for (const int k : {3, 5, 9}) spoil(k, [](DcmDataset& d) { d.findAndDeleteElement(DCM_PixelSpacing); });
  const Error e = error();
  EXPECT_THAT(e.where, HasSubstr("IM0003.dcm"));
  EXPECT_THAT(english(e.what), HasSubstr("2 more files"));
}

struct ValueCase {
  DcmTagKey tag;
  const char* value;
  const char* label;
  const char* what;
};

TEST_F(BadInput, ImpossibleValuesAreNamed) {
  const ValueCase cases[] = {
      {DCM_PixelSpacing, "0,5\\0,5", "Pixel Spacing (0028,0030)", "'0,5\\0,5'"},
      {DCM_PixelSpacing, "0.5", "Pixel Spacing (0028,0030)", "2 numbers"},
      {DCM_PixelSpacing, "0\\0", "Pixel Spacing (0028,0030)", "no CT"},
      {DCM_PixelSpacing, "50\\50", "Pixel Spacing (0028,0030)", "no CT"},
      {DCM_PixelSpacing, "nan\\nan", "Pixel Spacing (0028,0030)", "2 numbers"},
      {DCM_ImagePositionPatient, "1\\2", "Image Position (Patient) (0020,0032)", "3 numbers"},
      {DCM_ImagePositionPatient, "1\\2\\1e300", "Image Position (Patient) (0020,0032)", "100 m"},
      {DCM_ImageOrientationPatient, "1\\0\\0\\1\\0\\0", "Image Orientation (Patient) (0020,0037)", "perpendicular"},
      {DCM_ImageOrientationPatient, "0\\0\\0\\0\\0\\0", "Image Orientation (Patient) (0020,0037)", "unit"},
      {DCM_ImageOrientationPatient, "R\\A\\F\\H\\L\\P", "Image Orientation (Patient) (0020,0037)", "6 numbers"},
      {DCM_RescaleSlope, "0", "Rescale Slope (0028,1053)", "cannot give HU"},
      {DCM_RescaleSlope, "inf", "Rescale Slope (0028,1053)", "1 number"},
      {DCM_RescaleType, "US", "Rescale Type (0028,1054)", "not Hounsfield"},
      {DCM_RescaleType, "mgml", "Rescale Type (0028,1054)", "not Hounsfield"},
      {DCM_NumberOfFrames, "2000000000", "Number of Frames (0028,0008)", "one frame"},
      {DCM_NumberOfFrames, "-3", "Number of Frames (0028,0008)", "-3"},
  };
  for (const ValueCase& c : cases) {
    SCOPED_TRACE(fmt::format("{} = {}", c.label, c.value));
    fs::remove_all(folder.path());
    write();
    editAll(folder.path(), [&](DcmDataset& d, int) { ASSERT_TRUE(d.putAndInsertString(c.tag, c.value).good()); });
    const Error e = error();
    EXPECT_THAT(e.where, AllOf(HasSubstr("IM0001.dcm"), HasSubstr(c.label)));
    EXPECT_THAT(english(e.what), HasSubstr(c.what));
  }
}

TEST_F(BadInput, ImpossibleSizesAreNamed) {
  const std::tuple<DcmTagKey, Uint16, const char*> cases[] = {
      {DCM_Rows, 0, "Rows (0028,0010)"},
      {DCM_Columns, 0, "Columns (0028,0011)"},
      {DCM_BitsAllocated, 32, "Bits Allocated (0028,0100)"},
      {DCM_BitsAllocated, 12, "Bits Allocated (0028,0100)"},
      {DCM_BitsStored, 17, "Bits Stored (0028,0101)"},
      {DCM_HighBit, 20, "Bits Stored (0028,0101)"},
      {DCM_PixelRepresentation, 2, "Pixel Representation (0028,0103)"},
      {DCM_Rows, 65535, "Pixel Data (7FE0,0010)"},
      {DCM_Columns, 65535, "Pixel Data (7FE0,0010)"}};
  for (const auto& [tag, value, label] : cases) {
    SCOPED_TRACE(fmt::format("{} = {}", label, value));
    fs::remove_all(folder.path());
    write();
    editAll(folder.path(), [&, tag = tag, value = value](DcmDataset& d, int) {
      ASSERT_TRUE(d.putAndInsertUint16(tag, value).good());
    });
    EXPECT_THAT(error().where, AllOf(HasSubstr("IM0001.dcm"), HasSubstr(label)));
  }
}

TEST_F(BadInput, HugeNumberOfFramesOfEnhanced) {
  writeEnhanced();
  spoil(1, [](DcmDataset& d) { d.putAndInsertString(DCM_NumberOfFrames, "2147483647"); });
  const Error e = error();
  EXPECT_THAT(english(e.what), AllOf(HasSubstr("2147483647"), HasSubstr("12 items")));
}

TEST_F(BadInput, HugeMatrixInCompressedFiles) {
  // Compressed files may be small and still claim gigabytes: the claim is refused before memory is taken.
  CtWriteSettings s;
  s.compression = CtWriteSettings::Compression::kRle;
  write(s);
  editAll(folder.path(), [](DcmDataset& d, int) {
    d.putAndInsertUint16(DCM_Rows, 65000);
    d.putAndInsertUint16(DCM_Columns, 65000);
  });
  EXPECT_THAT(english(error().what), HasSubstr("more than this program takes"));
}

TEST_F(BadInput, TruncatedPixelData) {
  write();
  spoil(6, [](DcmDataset& d) {
    std::vector<Uint16> few(100, 7);
    d.putAndInsertUint16Array(DCM_PixelData, few.data(), few.size());
  });
  const Error e = error();
  EXPECT_THAT(e.where, AllOf(HasSubstr("IM0006.dcm"), HasSubstr("Pixel Data (7FE0,0010)")));
  EXPECT_THAT(english(e.what), AllOf(HasSubstr("cut short"), HasSubstr("640")));
  EXPECT_THAT(english(e.remedy), HasSubstr("again"));
}

TEST_F(BadInput, TruncatedFilesOfEveryKind) {
  using Compression = CtWriteSettings::Compression;
  for (const Compression c : {Compression::kNone, Compression::kRle, Compression::kJpegLossless, Compression::kJpegLs})
    for (const bool enhanced : {false, true})
      for (const double share : {0.9, 0.97, 0.999}) {
        fs::remove_all(folder.path());
        CtWriteSettings s;
        s.compression = c;
        s.enhanced = enhanced;
        write(s);
        const fs::path file = imageFile(folder.path(), enhanced ? 1 : 5);
        fs::resize_file(file, static_cast<std::uintmax_t>(static_cast<double>(fs::file_size(file)) * share));
        SCOPED_TRACE(fmt::format("compression {} enhanced {} share {}", static_cast<int>(c), enhanced, share));
        const auto scan = readCt(folder.path());
        ASSERT_FALSE(scan);
        EXPECT_EQ(scan.error().fault, Fault::kImages);
        EXPECT_THAT(scan.error().where, HasSubstr(file.filename().string()));
      }
}

TEST_F(BadInput, UnsupportedCompressionIsNamed) {
  write();
  for (const auto& file : dicomFiles(folder.path())) {
    // JPEG 2000: one made-up fragment; only the header matters.
    DcmFileFormat format;
    ASSERT_TRUE(format.loadFile(file.c_str()).good());
    DcmDataset& d = *format.getDataset();
    auto* sequence = new DcmPixelSequence(DcmTag(DCM_PixelData, EVR_OB));
    DcmOffsetList offsets;
    auto* table = new DcmPixelItem(DcmTag(DCM_Item, EVR_OB));
    sequence->insert(table);
    std::vector<Uint8> bytes(64, 1);
    sequence->storeCompressedFrame(offsets, bytes.data(), 64, 0);
    auto* pixels = new DcmPixelData(DCM_PixelData);
    pixels->putOriginalRepresentation(EXS_JPEG2000LosslessOnly, nullptr, sequence);
    d.insert(pixels, OFTrue);
    ASSERT_TRUE(format.saveFile(file.c_str(), EXS_JPEG2000LosslessOnly).good());
  }
  const Error e = error();
  EXPECT_THAT(e.where, HasSubstr("Transfer Syntax UID (0002,0010)"));
  EXPECT_THAT(english(e.what), HasSubstr("JPEG 2000"));
  EXPECT_THAT(english(e.remedy), HasSubstr("uncompressed"));
}

TEST_F(BadInput, SingleSlice) {
  write();
  for (int k = 2; k <= 12; ++k) fs::remove(imageFile(folder.path(), k));
  EXPECT_THAT(english(error().what), HasSubstr("only one slice"));
  const auto scan = readCt(imageFile(folder.path(), 1));
  ASSERT_FALSE(scan);
  EXPECT_THAT(english(scan.error().remedy), HasSubstr("folder"));
}

TEST_F(BadInput, TooFewSlices) {
  write();
  for (int k = 6; k <= 12; ++k) fs::remove(imageFile(folder.path(), k));
  EXPECT_THAT(english(error().what), HasSubstr("only 5 slices"));
}

TEST_F(BadInput, TwoPatientsInOneSeries) {
  write();
  spoil(4, [](DcmDataset& d) { d.putAndInsertString(DCM_PatientID, "OTHER"); });
  const Error e = error();
  EXPECT_THAT(english(e.what), AllOf(HasSubstr("two patients"), HasSubstr("OTHER"), HasSubstr("RS-17")));
  EXPECT_THAT(e.where, AllOf(HasSubstr("IM0004.dcm"), HasSubstr("Patient ID (0010,0020)")));
}

TEST_F(BadInput, DamagedFileBesideAGoodSeriesIsTold) {
  write();
  fs::copy(imageFile(folder.path(), 3), folder / "broken.dcm");
  fs::resize_file(folder / "broken.dcm", 200);  // ends in its meta information
  const auto scan = readCt(folder.path());
  ASSERT_TRUE(scan) << english(scan.error());
  EXPECT_TRUE(cautioned(*scan, "damaged DICOM file")) << ::testing::PrintToString(scan->cautions);
}

TEST_F(BadInput, CancelStops) {
  write();
  std::atomic<bool> stop = true;
  Progress progress;
  progress.stop = &stop;
  const auto scan = readCt(folder.path(), {}, progress);
  ASSERT_FALSE(scan);
  EXPECT_EQ(scan.error().fault, Fault::kCancelled);
  // Also in the middle.
  stop = false;
  progress.report = [&](std::string_view stage, double) {
    if (stage == "reading_slices") stop = true;
  };
  const auto middle = readCt(folder.path(), {}, progress);
  ASSERT_FALSE(middle);
  EXPECT_EQ(middle.error().fault, Fault::kCancelled);
}

TEST_F(BadInput, WriterRefusesWhatItCannotWrite) {
  CtWriteSettings s;
  s.rescale_slope = 0;
  EXPECT_EQ(writeCt(folder.path(), volume, {}, s).error().fault, Fault::kRequest);
  s = {};
  s.bits_stored = 8;
  EXPECT_EQ(writeCt(folder.path(), volume, {}, s).error().fault, Fault::kRequest);
  CtVolume skewed = volume;
  skewed.grid.direction.col(1) += 0.2 * skewed.grid.direction.col(0);
  EXPECT_EQ(writeCt(folder.path(), skewed, {}).error().fault, Fault::kRequest);
  EXPECT_EQ(writeCt(folder.path(), CtVolume{}, {}).error().fault, Fault::kRequest);
  put(folder / "IM0999.dcm", "left from an earlier series");
  const auto mixed = writeCt(folder.path(), volume, {});
  ASSERT_FALSE(mixed);
  EXPECT_THAT(english(mixed.error().what), HasSubstr("IM0999.dcm"));
  put(folder / "file", "x");
  EXPECT_FALSE(writeCt(folder / "file", volume, {}));
}

}  // namespace
}  // namespace rayset::test
