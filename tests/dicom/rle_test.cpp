// DICOM RLE segments by hand (PS3.5 Annex G), and vendor quirks of headers.
#include "dicom/rle.h"

#include <dcmtk/config/osconfig.h>
#include <dcmtk/dcmdata/dctk.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <vector>

#include "dicom/phantom_series.h"
#include "english.h"

namespace rayset::test {
namespace {

using dicom::decodeRle;
using ::testing::HasSubstr;

std::vector<std::uint8_t> fragment(const std::vector<std::vector<std::uint8_t>>& segments) {
  std::vector<std::uint8_t> out(64, 0);
  out[0] = static_cast<std::uint8_t>(segments.size());
  for (std::size_t s = 0; s < segments.size(); ++s) {
    out[4 + 4 * s] = static_cast<std::uint8_t>(out.size());
    out.insert(out.end(), segments[s].begin(), segments[s].end());
  }
  return out;
}

TEST(Rle, LiteralsRunsAndNoOperation) {
  // High bytes: five times 2. Low bytes: literal 1 2 3, no operation, twice 9.
  const auto f = fragment({{0xfc, 2}, {2, 1, 2, 3, 0x80, 0xff, 9}});
  std::uint16_t out[5] = {};
  EXPECT_EQ(decodeRle(f, 5, 2, reinterpret_cast<std::uint8_t*>(out)), nullptr);
  EXPECT_THAT(out, ::testing::ElementsAre(0x201, 0x202, 0x203, 0x209, 0x209));
}

TEST(Rle, EveryDefectIsSaid) {
  std::uint8_t out[16] = {};
  const auto fault = [&](const std::vector<std::uint8_t>& f, std::size_t pixels, int bytes) {
    const char* text = decodeRle(f, pixels, bytes, out);
    return text != nullptr ? english(Message(text)) : std::string();
  };
  EXPECT_THAT(fault(std::vector<std::uint8_t>(63, 0), 4, 1), HasSubstr("header"));
  EXPECT_THAT(fault(fragment({{0xfd, 1}}), 4, 2), HasSubstr("number of RLE segments"));
  EXPECT_THAT(fault(fragment({{0xfe, 1}}), 4, 1), HasSubstr("ends before"));  // three of four pixels
  EXPECT_THAT(fault(fragment({{0xfd}}), 4, 1), HasSubstr("ends before"));     // run without its value
  EXPECT_THAT(fault(fragment({{3, 1, 2}}), 4, 1), HasSubstr("ends before"));  // literal cut short
  EXPECT_THAT(fault(fragment({{0xfa, 1}}), 4, 1), HasSubstr("more than"));    // run of seven
  EXPECT_THAT(fault(fragment({{5, 1, 2, 3, 4, 5, 6}}), 4, 1), HasSubstr("more than"));
  auto wild = fragment({{0xfd, 1}, {0xfd, 1}});
  wild[8] = 0xff;  // second segment past the end
  EXPECT_THAT(fault(wild, 4, 2), HasSubstr("outside"));
  wild[8] = 10;  // inside the header
  EXPECT_THAT(fault(wild, 4, 2), HasSubstr("outside"));
  wild = fragment({{0xfd, 1}, {0xfd, 1}});
  wild[7] = 0xff;  // first offset beyond 2^31
  EXPECT_THAT(fault(wild, 4, 2), HasSubstr("outside"));
}

TEST(Header, AttributesOfUnknownRepresentationAreUnderstood) {
  // Archives rewrite attributes they do not know as UN.
  TemporaryFolder folder;
  const CtVolume volume = testVolume(testGrid(12, 10, 9));
  CtWriteSettings s;
  s.rescale_slope = 2;
  writeSeries(folder.path(), volume, s);
  editAll(folder.path(), [](DcmDataset& d, int) {
    auto* element = new DcmOtherByteOtherWord(DcmTag(DCM_RescaleSlope, EVR_UN));
    const Uint8 two[] = {'2', ' '};
    ASSERT_TRUE(element->putUint8Array(two, 2).good());
    ASSERT_TRUE(d.insert(element, OFTrue).good());
  });
  const auto scan = readCt(folder.path());
  ASSERT_TRUE(scan) << english(scan.error());
  for (std::size_t v = 0; v < volume.voxels.size(); ++v) ASSERT_NEAR(scan->volume.voxels[v], volume.voxels[v], 1);
}

TEST(Header, IconPicturesDoNotStopTheHeader) {
  // Icon Image Sequence (0088,0200) holds Pixel Data of its own, before that of the image.
  TemporaryFolder folder;
  const CtVolume volume = testVolume(testGrid(12, 10, 9));
  writeSeries(folder.path(), volume);
  editAll(folder.path(), [](DcmDataset& d, int) {
    DcmItem* icon = nullptr;
    ASSERT_TRUE(d.findOrCreateSequenceItem(DCM_IconImageSequence, icon, -2).good());
    icon->putAndInsertUint16(DCM_Rows, 4);
    icon->putAndInsertUint16(DCM_Columns, 4);
    icon->putAndInsertUint16(DCM_BitsAllocated, 8);
    const std::vector<Uint8> grey(16, 99);
    icon->putAndInsertUint8Array(DCM_PixelData, grey.data(), 16);
  });
  const auto scan = readCt(folder.path());
  ASSERT_TRUE(scan) << english(scan.error());
  EXPECT_EQ(scan->volume.voxels, volume.voxels);
}

}  // namespace
}  // namespace rayset::test
