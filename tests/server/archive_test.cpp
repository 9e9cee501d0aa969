#include "server/archive.h"

#include <archive.h>
#include <archive_entry.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "client.h"
#include "english.h"

namespace rayset::server {
namespace {
namespace fs = std::filesystem;
using rayset::testing::Folder;
using ::testing::HasSubstr;

struct Entry {
  std::string name, content;
  unsigned type = AE_IFREG;
  std::string link;
};

/// Written without any of the checks under test.
void pack(const fs::path& file, const std::vector<Entry>& entries, bool tar = false) {
  struct archive* out = archive_write_new();
  if (tar)
    archive_write_set_format_pax_restricted(out);
  else
    archive_write_set_format_zip(out);
  ASSERT_EQ(archive_write_open_filename(out, file.c_str()), ARCHIVE_OK);
  for (const Entry& e : entries) {
    archive_entry* entry = archive_entry_new();
    archive_entry_set_pathname(entry, e.name.c_str());
    archive_entry_set_filetype(entry, e.type);
    archive_entry_set_perm(entry, 0644);
    archive_entry_set_size(entry, static_cast<la_int64_t>(e.content.size()));
    if (e.type == AE_IFLNK) archive_entry_set_symlink(entry, e.link.c_str());
    if (e.type == AE_IFREG && !e.link.empty()) archive_entry_set_hardlink(entry, e.link.c_str());
    archive_write_header(out, entry);
    archive_write_data(out, e.content.data(), e.content.size());
    archive_entry_free(entry);
  }
  archive_write_free(out);
}

std::string read(const fs::path& file) {
  std::ifstream in(file, std::ios::binary);
  return {std::istreambuf_iterator<char>(in), {}};
}

std::size_t filesUnder(const fs::path& folder) {
  std::size_t n = 0;
  for (const auto& e : fs::recursive_directory_iterator(folder)) n += e.is_regular_file() ? 1U : 0U;
  return n;
}

TEST(Unpack, ZipAndTarOfAFolder) {
  for (const bool tar : {false, true}) {
    const Folder folder;
    const fs::path file = folder.path / (tar ? "a.tar" : "a.zip"), out = folder.path / "out";
    fs::create_directory(out);
    pack(file, {{"ct/", "", AE_IFDIR, ""}, {"ct/1", "one", AE_IFREG, ""}, {"./ct/deep/2", "two", AE_IFREG, ""}}, tar);
    const Status s = unpack(file, out);
    ASSERT_TRUE(s) << english(s.error());
    EXPECT_EQ(read(out / "ct/1"), "one");
    EXPECT_EQ(read(out / "ct/deep/2"), "two");
    EXPECT_EQ(filesUnder(out), 2U);
  }
}

TEST(Unpack, NothingLeavesItsFolder) {
  const std::vector<std::pair<Entry, bool>> bad{{{"../x", "x", AE_IFREG, ""}, false},
                                                {{"a/../../x", "x", AE_IFREG, ""}, true},
                                                {{"/tmp/rayset-unpack-x", "x", AE_IFREG, ""}, true},
                                                {{"..\\x", "x", AE_IFREG, ""}, false},
                                                {{"C:\\x", "x", AE_IFREG, ""}, false},
                                                {{"link", "", AE_IFLNK, "/etc/passwd"}, true},
                                                {{"link", "", AE_IFLNK, "/etc/passwd"}, false},
                                                {{"hard", "", AE_IFREG, "/etc/passwd"}, true},
                                                {{"pipe", "", AE_IFIFO, ""}, true}};
  for (const auto& [entry, tar] : bad) {
    const Folder folder;
    const fs::path file = folder.path / "bad", out = folder.path / "in/out";
    fs::create_directories(out);
    pack(file, {entry}, tar);
    const Status s = unpack(file, out);
    ASSERT_FALSE(s) << entry.name;
    EXPECT_EQ(s.error().fault, Fault::kImages);
    EXPECT_EQ(filesUnder(folder.path), 1U) << entry.name;
    EXPECT_FALSE(fs::exists("/tmp/rayset-unpack-x"));
  }
}

TEST(Unpack, LimitsHold) {
  const Folder folder;
  const fs::path file = folder.path / "big.zip";
  pack(file, {{"1", std::string(5000, 'x'), AE_IFREG, ""}, {"2", std::string(5000, 'x'), AE_IFREG, ""}});
  for (const UnpackLimits& limits : {UnpackLimits{9000, 10}, UnpackLimits{20000, 1}}) {
    const Folder out;
    const Status s = unpack(file, out.path, limits);
    ASSERT_FALSE(s);
    EXPECT_THAT(english(s.error().what), HasSubstr("more than"));
  }
  const Folder out;
  EXPECT_TRUE(unpack(file, out.path, {10000, 2}));
}

TEST(Unpack, DamagedEmptyAndForeignFilesAreRefused) {
  const Folder folder;
  const fs::path good = folder.path / "good.zip", cut = folder.path / "cut.zip", text = folder.path / "text.zip";
  pack(good, {{"1", std::string(100000, 'x'), AE_IFREG, ""}, {"2", "y", AE_IFREG, ""}});
  std::ofstream(text) << "no archive at all";
  std::ofstream(cut, std::ios::binary) << read(good).substr(0, 100);
  pack(folder.path / "empty.zip", {});
  for (const char* name : {"cut.zip", "text.zip", "empty.zip", "missing.zip"}) {
    const Folder out;
    const Status s = unpack(folder.path / name, out.path);
    ASSERT_FALSE(s) << name;
    EXPECT_EQ(s.error().fault, Fault::kImages);
    EXPECT_THAT(s.error().where, HasSubstr(name));
  }
}

TEST(Unpack, CanBeStopped) {
  const Folder folder;
  pack(folder.path / "a.zip", {{"1", "one", AE_IFREG, ""}});
  const std::atomic<bool> stop{true};
  Progress progress;
  progress.stop = &stop;
  const Status s = unpack(folder.path / "a.zip", folder.path, {}, progress);
  ASSERT_FALSE(s);
  EXPECT_EQ(s.error().fault, Fault::kCancelled);
}

TEST(Unpack, KnowsArchivesByName) {
  for (const char* yes : {"a.zip", "a.ZIP", "a.tar", "a.tar.gz", "a.tgz"}) EXPECT_TRUE(isArchiveName(yes)) << yes;
  for (const char* no : {"a.dcm", "zip", ".zip", "a.gz", "a.zip.part", ""}) EXPECT_FALSE(isArchiveName(no)) << no;
}

struct ToFile : Sink {
  std::ofstream out;
  std::size_t left;
  ToFile(const fs::path& file, std::size_t most) : out(file, std::ios::binary), left(most) {}
  bool write(std::string_view bytes) override {
    if (bytes.size() > left) return false;
    left -= bytes.size();
    out.write(bytes.data(), static_cast<std::streamsize>(bytes.size()));
    return true;
  }
};

TEST(ZipWriter, WhatGoesInComesOut) {
  const Folder folder;
  std::string noise(3'000'000, '\0');
  for (std::size_t n = 0; n < noise.size(); ++n) noise[n] = static_cast<char>(n * n >> 7U);
  std::ofstream(folder.path / "noise", std::ios::binary) << noise;
  {
    ToFile sink(folder.path / "a.zip", 1U << 30U);
    ZipWriter zip(sink);
    ASSERT_TRUE(zip.add("text.json", "{}"));
    ASSERT_TRUE(zip.addFile("deep/noise", folder.path / "noise"));
    ASSERT_TRUE(zip.finish());
  }
  const Folder out;
  ASSERT_TRUE(unpack(folder.path / "a.zip", out.path));
  EXPECT_EQ(read(out.path / "text.json"), "{}");
  EXPECT_EQ(read(out.path / "deep/noise"), noise);
}

TEST(ZipWriter, EndsWhenNobodyListens) {
  const Folder folder;
  std::ofstream(folder.path / "noise", std::ios::binary) << std::string(3'000'000, 'x');
  ToFile sink(folder.path / "a.zip", 0);
  ZipWriter zip(sink);
  const bool good = zip.addFile("noise", folder.path / "noise") && zip.finish();
  EXPECT_FALSE(good);
}

}  // namespace
}  // namespace rayset::server
