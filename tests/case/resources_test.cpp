// The data files of the program, read as one.
#include "case/resources.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <unistd.h>

#include <fstream>

#include "data_files.h"
#include "english.h"

namespace rayset {
namespace {

namespace fs = std::filesystem;
using testing::HasSubstr;

class ResourcesFolder : public testing::Test {
 protected:
  void SetUp() override {
    folder_ = fs::temp_directory_path() / ("rayset-data-" + std::to_string(getpid()));
    fs::remove_all(folder_);
    fs::create_directories(folder_);
    for (const char* name : kNames) fs::copy(test::dataFile(name), folder_ / name);
    fs::copy(test::dataFile("words"), folder_ / "words");
  }
  void TearDown() override { fs::remove_all(folder_); }

  static constexpr std::array<const char*, 4> kNames{"limits.json", "implants.json", "joints.json", "followup.json"};
  fs::path folder_;
};

TEST_F(ResourcesFolder, IsReadWhole) {
  const auto read = readResources(folder_);
  ASSERT_TRUE(read) << english(read.error());
  EXPECT_EQ(read->limits.value("acceptable_displacement").value(), 2.0);
  EXPECT_NE(read->catalogue.find("cortex-3.5"), nullptr);
  EXPECT_EQ(read->joints.people, 4);
  EXPECT_FALSE(read->followup.rules.empty());
}

TEST_F(ResourcesFolder, AFileThatIsMissingOrBrokenIsNamed) {
  for (const char* name : kNames) {
    fs::remove(folder_ / name);
    const auto missing = readResources(folder_);
    ASSERT_FALSE(missing) << name;
    EXPECT_THAT(english(missing.error()), HasSubstr((folder_ / name).string()));
    std::ofstream(folder_ / name) << "{";
    const auto broken = readResources(folder_);
    ASSERT_FALSE(broken) << name;
    EXPECT_THAT(english(broken.error()), HasSubstr((folder_ / name).string()));
    fs::copy(test::dataFile(name), folder_ / name, fs::copy_options::overwrite_existing);
  }
}

}  // namespace
}  // namespace rayset
