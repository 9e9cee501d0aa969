// Damaged bytes must end in a volume or in an error, never in a crash. Deterministic: fixed seeds.
#include <dcmtk/config/osconfig.h>
#include <dcmtk/dcmdata/dctk.h>
#include <fmt/format.h>
#include <gtest/gtest.h>
#include <zlib.h>

#include <cmath>
#include <fstream>
#include <random>

#include "dicom/film_reader.h"
#include "dicom/film_writer.h"
#include "dicom/nesting.h"
#include "dicom/phantom_series.h"
#include "english.h"
#include "text_file.h"

namespace rayset::test {
namespace {

namespace fs = std::filesystem;
using Compression = CtWriteSettings::Compression;

/// A data set of nested sequences, in the four ways they can be written.
std::string nested(int depth, bool implicit, bool defined_lengths) {
  const auto u32 = [](std::size_t v) {
    std::string out;
    for (int i = 0; i < 4; ++i) out += static_cast<char>(v >> 8 * i & 0xff);
    return out;
  };
  const std::string tag("\x08\x00\x40\x11", 4), item("\xfe\xff\x00\xe0", 4);
  std::string inside;
  if (defined_lengths) {
    for (int i = 0; i < depth; ++i) {
      const std::string body = item + u32(inside.size()) + inside;
      inside =
          fmt::format("{}{}{}{}", tag, implicit ? std::string() : std::string("SQ\0\0", 4), u32(body.size()), body);
    }
    return inside;
  }
  for (int i = 0; i < depth; ++i) {
    inside += tag;
    if (!implicit) inside += std::string("SQ\0\0", 4);
    inside += u32(0xffffffffu) + item + u32(0xffffffffu);
  }
  for (int i = 0; i < depth; ++i) inside += std::string("\xfe\xff\x0d\xe0\0\0\0\0\xfe\xff\xdd\xe0\0\0\0\0", 16);
  return inside;
}

TEST(Nesting, AbsurdDepthIsLeftAsideAndOrdinaryDepthIsNot) {
  TemporaryFolder folder;
  const CtVolume volume = testVolume(testGrid(12, 10, 9));
  for (const bool implicit : {false, true})
    for (const bool defined : {false, true})
      for (const int depth : {20, 3000, 100000}) {
        if (defined && depth > 3000) continue;  // quadratic to make
        SCOPED_TRACE(fmt::format("implicit {} defined {} depth {}", implicit, defined, depth));
        fs::remove_all(folder.path());
        writeSeries(folder.path(), volume);
        std::string file(128, '\0');
        file += "DICM";
        const std::string syntax =
            implicit ? std::string("1.2.840.10008.1.2\0", 18) : std::string("1.2.840.10008.1.2.1\0", 20);
        file += fmt::format("{}{}{}", std::string("\x02\x00\x10\x00UI", 6),
                            std::string{static_cast<char>(syntax.size()), '\0'}, syntax);
        const std::string uid(UID_MRImageStorage "\0", 26);
        file += std::string("\x08\x00\x16\x00", 4) +
                (implicit ? std::string("\x1a\0\0\0", 4) : std::string("UI\x1a\0", 4)) + uid;
        file += nested(depth, implicit, defined);
        std::ofstream(folder / "deep", std::ios::binary) << file;
        const auto scan = readCt(folder.path());
        ASSERT_TRUE(scan) << english(scan.error());
        EXPECT_EQ(cautioned(*scan, "nested more than 64 deep"), depth > 64) << ::testing::PrintToString(scan->cautions);
        EXPECT_EQ(cautioned(*scan, "MR Image Storage"), depth <= 64);
      }
}

/// Group 0002 of a file of this syntax.
std::string meta(std::string syntax) {
  if (syntax.size() % 2 != 0) syntax += '\0';
  return std::string(128, '\0') + "DICM" + std::string("\x02\x00\x10\x00UI", 6) +
         std::string{static_cast<char>(syntax.size()), '\0'} + syntax;
}

/// Raw deflate, as PS3.5 A.5 has it.
std::string deflated(const std::string& plain) {
  z_stream stream{};
  EXPECT_EQ(deflateInit2(&stream, 9, Z_DEFLATED, -MAX_WBITS, 9, Z_DEFAULT_STRATEGY), Z_OK);
  std::string out(deflateBound(&stream, plain.size()), '\0');
  stream.next_in = reinterpret_cast<Bytef*>(const_cast<char*>(plain.data()));
  stream.avail_in = static_cast<uInt>(plain.size());
  stream.next_out = reinterpret_cast<Bytef*>(out.data());
  stream.avail_out = static_cast<uInt>(out.size());
  EXPECT_EQ(deflate(&stream, Z_FINISH), Z_STREAM_END);
  out.resize(stream.total_out);
  deflateEnd(&stream);
  return out;
}

// What DCMTK would follow until the stack is full, wherever it hides.
TEST(Nesting, IsSeenBehindThePixelDataAndInDeflatedData) {
  const std::string explicit_little = "1.2.840.10008.1.2.1", deflate = "1.2.840.10008.1.2.1.99";
  const std::string uid = std::string("\x08\x00\x16\x00UI\x1a\0", 8) + std::string(UID_MRImageStorage "\0", 26);
  const std::string native = std::string("\xe0\x7f\x10\x00OW\0\0\x04\0\0\0abcd", 16);
  const std::string encapsulated =
      std::string("\xe0\x7f\x10\x00OB\0\0\xff\xff\xff\xff", 12) + std::string("\xfe\xff\x00\xe0\0\0\0\0", 8) +
      std::string("\xfe\xff\x00\xe0\x04\0\0\0abcd", 12) + std::string("\xfe\xff\xdd\xe0\0\0\0\0", 8);
  const std::string deep = nested(100000, false, false), ordinary = nested(20, false, false);
  const std::string swollen = std::string("\x09\x00\x10\x10OB\0\0\0\0\0\x08", 12) + std::string(0x8000000, '\0');
  const std::vector<std::tuple<const char*, std::string, dicom::Structure>> files{
      {"behind native pixels", meta(explicit_little) + uid + native + deep, dicom::Structure::kTooDeep},
      {"behind encapsulated pixels", meta("1.2.840.10008.1.2.5") + uid + encapsulated + deep,
       dicom::Structure::kTooDeep},
      {"deflated", meta(deflate) + deflated(uid + deep), dicom::Structure::kTooDeep},
      {"deflated, behind pixels", meta(deflate) + deflated(uid + native + deep), dicom::Structure::kTooDeep},
      {"deflated, ordinary", meta(deflate) + deflated(uid + ordinary + native), dicom::Structure::kSound},
      {"deflated, cut short", meta(deflate) + deflated(uid + ordinary).substr(0, 40), dicom::Structure::kSound},
      {"swollen", meta(deflate) + deflated(uid + swollen), dicom::Structure::kSwollen}};
  for (const auto& [name, bytes, structure] : files) {
    SCOPED_TRACE(name);
    TemporaryFolder folder;
    const fs::path file = folder / "file";
    std::ofstream(file, std::ios::binary) << bytes;
    EXPECT_EQ(dicom::structureOf(file), structure);
    // Neither reader falls over.
    writeSeries(folder.path(), testVolume(testGrid(12, 10, 9)));
    const auto scan = readCt(folder.path());
    ASSERT_TRUE(scan) << english(scan.error());
    EXPECT_EQ(cautioned(*scan, "nested more than 64 deep"), structure == dicom::Structure::kTooDeep);
    EXPECT_EQ(cautioned(*scan, "grows to more than 64 times"), structure == dicom::Structure::kSwollen);
    EXPECT_FALSE(readFilm(file));
  }
}

/// One of five kinds of damage, in turn.
std::string damaged(const std::string& good, int round, std::mt19937& random) {
  const auto below = [&](std::size_t n) { return static_cast<std::size_t>(random() % n); };
  std::string bad = good;
  switch (round % 5) {
    case 0:  // a few bytes anywhere
      for (std::size_t n = 1 + below(8); n > 0; --n) bad[below(bad.size())] = static_cast<char>(random());
      break;
    case 1:  // the header only
      for (std::size_t n = 1 + below(4); n > 0; --n)
        bad[132 + below(std::min<std::size_t>(1800, bad.size() - 132))] = static_cast<char>(random());
      break;
    case 2:  // lengths and counts: 0xff in place of a byte
      for (std::size_t n = 1 + below(3); n > 0; --n) bad[132 + below(bad.size() - 132)] = '\xff';
      break;
    case 3:  // cut short, sometimes with rubbish at the end
      bad.resize(1 + below(bad.size()));
      if (round % 2) bad += std::string(below(64), static_cast<char>(random()));
      break;
    default: {  // a piece moved elsewhere
      const std::size_t from = below(bad.size()), to = below(bad.size());
      const std::size_t length = std::min({1 + below(64), bad.size() - from, bad.size() - to});
      bad.replace(to, length, good.substr(from, length));
    }
  }
  return bad;
}

struct FuzzCase {
  Compression compression;
  bool enhanced;
};

class Fuzz : public ::testing::TestWithParam<FuzzCase> {};

TEST_P(Fuzz, DamagedFilesNeverCrash) {
  const FuzzCase c = GetParam();
  TemporaryFolder folder;
  CtWriteSettings s;
  s.compression = c.compression;
  s.enhanced = c.enhanced;
  writeSeries(folder.path(), testVolume(testGrid(24, 20, 9)), s);
  const fs::path file = imageFile(folder.path(), c.enhanced ? 1 : 4);
  const std::string good = readAll(file);
  std::mt19937 random(20240315u + static_cast<unsigned>(c.compression) * 2 + c.enhanced);
  int read = 0, refused = 0;
  constexpr int kRounds = 150;
  for (int round = 0; round < kRounds; ++round) {
    std::ofstream(file, std::ios::binary | std::ios::trunc) << damaged(good, round, random);
    const auto scan = readCt(folder.path());
    if (scan) {
      ++read;
      EXPECT_EQ(scan->volume.voxels.size(), scan->volume.grid.count());
    } else {
      ++refused;
      EXPECT_FALSE(english(scan.error().what).empty());
    }
  }
  // Both must happen, or the loop tests nothing.
  EXPECT_GT(read, 0);
  EXPECT_GT(refused, 0);
}

class FilmFuzz : public ::testing::TestWithParam<Compression> {};

TEST_P(FilmFuzz, DamagedFilmsNeverCrash) {
  TemporaryFolder folder;
  const fs::path file = folder / "film.dcm";
  Film film(40, 48);
  for (std::size_t n = 0; n < film.values.size(); ++n) film.values[n] = static_cast<float>((n * 37) % 4000);
  std::mt19937 random(20261126u + static_cast<unsigned>(GetParam()));
  int read = 0, refused = 0;
  using Kind = FilmWriteInfo::Kind;
  for (const Kind kind : {Kind::kDigital, Kind::kComputed, Kind::kAngiography}) {
    FilmWriteInfo info;
    info.kind = kind;
    info.compression = GetParam();
    info.patient_id = "RS-17";
    info.study_description = "Fuß rechts, Belastung";
    info.side = Side::kRight;
    info.view = FilmView::kLateral;
    info.column_mm = info.row_mm = 0.15;
    info.source_detector_mm = 1016;
    info.source_patient_mm = 956;
    info.window_low = 100;
    info.window_high = 3000;
    ASSERT_TRUE(writeFilm(file, film, info));
    const std::string good = readAll(file);
    for (int round = 0; round < 400; ++round) {
      std::ofstream(file, std::ios::binary | std::ios::trunc) << damaged(good, round, random);
      const auto scan = readFilm(file);
      if (scan) {
        ++read;
        const Film& got = scan->film;
        ASSERT_EQ(got.values.size(), static_cast<std::size_t>(got.columns) * static_cast<std::size_t>(got.rows));
        const Film shown = displayed(got, scan->info);
        ASSERT_EQ(shown.values.size(), got.values.size());
        for (const float v : shown.values)
          ASSERT_TRUE(v >= 0 && v <= 1) << "kind " << static_cast<int>(kind) << " round " << round << ": " << v;
        if (scan->info.spacing.known()) {
          ASSERT_TRUE(scan->info.spacing.column_mm > 0 && std::isfinite(scan->info.spacing.column_mm)) << round;
        }
      } else {
        ++refused;
        ASSERT_FALSE(english(scan.error().what).empty());
        ASSERT_FALSE(english(scan.error().remedy).empty()) << english(scan.error());
        ASSERT_NE(scan.error().where.find("film.dcm"), std::string::npos) << english(scan.error());
      }
    }
  }
  EXPECT_GT(read, 0);
  EXPECT_GT(refused, 0);
}

INSTANTIATE_TEST_SUITE_P(All, FilmFuzz,
                         ::testing::Values(Compression::kNone, Compression::kRle, Compression::kJpegLossless,
                                           Compression::kJpegLs));

std::vector<FuzzCase> cases() {
  std::vector<FuzzCase> all;
  for (const Compression c : {Compression::kNone, Compression::kRle, Compression::kJpegLossless, Compression::kJpegLs})
    for (const bool enhanced : {false, true}) all.push_back({c, enhanced});
  return all;
}

std::string nameOf(const ::testing::TestParamInfo<FuzzCase>& fuzz) {
  static const char* const kNames[] = {"None", "Rle", "JpegLossless", "JpegLs"};
  return fmt::format("{}{}", kNames[static_cast<int>(fuzz.param.compression)],
                     fuzz.param.enhanced ? "Enhanced" : "Classic");
}

INSTANTIATE_TEST_SUITE_P(All, Fuzz, ::testing::ValuesIn(cases()), nameOf);

}  // namespace
}  // namespace rayset::test
