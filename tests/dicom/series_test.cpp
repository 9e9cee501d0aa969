// Which series is used, and how it is asked for.
#include "dicom/series.h"

#include <dcmtk/config/osconfig.h>
#include <dcmtk/dcmdata/dctk.h>
#include <fmt/format.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "dicom/phantom_series.h"
#include "english.h"

namespace rayset::test {
namespace {

namespace fs = std::filesystem;
using dicom::Sharpness;
using dicom::sharpnessOf;
using ::testing::AllOf;
using ::testing::HasSubstr;

struct SeriesSpec {
  std::string number, description, kernel;
  double spacing = 0.7;
  int slices = 30;
  double pixel = 0.6;
  std::string body_part = "FOOT";
  std::string patient = "RS-17";
};

class SeriesTest : public ::testing::Test {
 protected:
  void add(const SeriesSpec& spec) {
    Grid g = testGrid(16, 14, spec.slices);
    g.spacing = {spec.pixel, spec.pixel, spec.spacing};
    ScanInfo info = testInfo();
    info.series_number = spec.number;
    info.series_description = spec.description;
    info.kernel = spec.kernel;
    info.body_part = spec.body_part;
    info.patient_id = spec.patient;
    writeSeries(folder / fmt::format("series {}", ++count_), testVolume(g), {}, info);
  }
  [[nodiscard]] std::string chosen(const std::string& wanted = {}) {
    ReadSettings settings;
    settings.series = wanted;
    const auto scan = readCt(folder.path(), settings);
    if (!scan) return "error: " + english(scan.error());
    cautions = english(scan->cautions);
    return scan->info.series_number;
  }
  TemporaryFolder folder;
  std::vector<std::string> cautions;

 private:
  int count_ = 0;
};

TEST_F(SeriesTest, ThinnestBoneSeriesIsUsedAndTheOthersListed) {
  add({"2", "Foot 3.0 Br40", "Br40", 3.0, 10});
  add({"3", "Foot 0.6 Br40", "Br40", 0.6, 50});
  add({"4", "Foot 0.6 Br59", "Br59", 0.6, 50});
  add({"5", "Foot 1.0 Br64", "Br64", 1.0, 30});
  EXPECT_EQ(chosen(), "4");
  ASSERT_FALSE(cautions.empty());
  EXPECT_THAT(cautions.front(),
              AllOf(HasSubstr("Series 4 'Foot 0.6 Br59'"), HasSubstr("thinnest bone reconstruction")));
  for (const char* other : {"series 2 'Foot 3.0 Br40'", "series 3", "series 5 'Foot 1.0 Br64'", "10 slices 3 mm apart"})
    EXPECT_THAT(cautions.front(), HasSubstr(other));
}

TEST_F(SeriesTest, ThinSoftSeriesBeatsThickBoneSeries) {
  add({"2", "Foot bone", "BONE", 3.0, 12});
  add({"3", "Foot", "STANDARD", 0.625, 50});
  EXPECT_EQ(chosen(), "3");
  EXPECT_THAT(cautions.back(), HasSubstr("soft-tissue reconstruction (STANDARD)"));
}

TEST_F(SeriesTest, SlightlyThickerBoneSeriesBeatsThinSoftSeries) {
  add({"2", "Foot", "BONE", 0.8, 40});
  add({"3", "Foot", "SOFT", 0.625, 50});
  EXPECT_EQ(chosen(), "2");
}

TEST_F(SeriesTest, DescriptionTellsWhereTheKernelDoesNot) {
  add({"2", "Fuss Weichteil 0.6", "", 0.6, 40});
  add({"3", "Fuss Knochen 0.6", "", 0.6, 40});
  EXPECT_EQ(chosen(), "3");
}

TEST_F(SeriesTest, ShortStackIsNotChosen) {
  add({"2", "Test slices bone", "Br64", 0.5, 12});
  add({"3", "Foot bone", "Br59", 0.7, 100});
  EXPECT_EQ(chosen(), "3");
}

TEST_F(SeriesTest, OtherBodyPartIsNotChosen) {
  add({"2", "Head bone", "Br64", 0.5, 60, 0.6, "HEAD"});
  add({"3", "Foot bone", "Br59", 0.7, 50, 0.6, "FOOT"});
  EXPECT_EQ(chosen(), "3");
}

TEST_F(SeriesTest, SmallerPixelsDecideBetweenLikeSeries) {
  add({"2", "Foot bone", "Br59", 0.6, 50, 0.7});
  add({"3", "Foot bone small field", "Br59", 0.6, 50, 0.35});
  EXPECT_EQ(chosen(), "3");
}

TEST_F(SeriesTest, SeriesMayBeAskedFor) {
  add({"2", "Foot soft", "Br40", 0.7, 30});
  add({"3", "Foot bone", "Br59", 0.7, 30});
  EXPECT_EQ(chosen(), "3");
  EXPECT_EQ(chosen("2"), "2");
  EXPECT_THAT(cautions, ::testing::IsEmpty());
  EXPECT_EQ(chosen("foot SOFT"), "2");
  EXPECT_EQ(chosen(" soft"), "2");
  ReadSettings settings;
  settings.series = "2";
  const auto scan = readCt(folder.path(), settings);
  ASSERT_TRUE(scan);
  EXPECT_EQ(chosen(scan->info.series_uid), "2");
}

TEST_F(SeriesTest, UnknownOrAmbiguousSeriesIsARequestErrorThatListsThem) {
  add({"2", "Foot soft", "Br40", 0.7, 30});
  add({"3", "Foot bone", "Br59", 0.7, 30});
  for (const char* wanted : {"7", "Hand", "Foot"}) {
    ReadSettings settings;
    settings.series = wanted;
    const auto scan = readCt(folder.path(), settings);
    ASSERT_FALSE(scan) << wanted;
    EXPECT_EQ(scan.error().fault, Fault::kRequest);
    EXPECT_THAT(english(scan.error()), AllOf(HasSubstr("series 2 'Foot soft'"), HasSubstr("series 3 'Foot bone'"),
                                             HasSubstr("2.25."), HasSubstr("30 slices 0.7 mm apart")));
  }
}

TEST_F(SeriesTest, UnusableSeriesBesideAUsableOneIsTold) {
  add({"2", "Foot thick", "Br59", 8, 10});
  add({"3", "Foot bone", "Br59", 0.7, 30});
  EXPECT_EQ(chosen(), "3");
  EXPECT_THAT(cautions,
              ::testing::Contains(AllOf(HasSubstr("Not usable: series 2 'Foot thick'"), HasSubstr("8 mm apart"))));
  ReadSettings settings;
  settings.series = "2";
  const auto scan = readCt(folder.path(), settings);
  ASSERT_FALSE(scan);
  EXPECT_EQ(scan.error().fault, Fault::kImages);
}

TEST_F(SeriesTest, NothingUsableTellsOfTheLargest) {
  add({"2", "Foot thick", "Br59", 8, 10});
  add({"3", "Foot few", "Br59", 0.7, 3});
  ReadSettings settings;
  const auto scan = readCt(folder.path(), settings);
  ASSERT_FALSE(scan);
  EXPECT_EQ(scan.error().fault, Fault::kImages);
  EXPECT_THAT(english(scan.error().what),
              AllOf(HasSubstr("none of the 2"), HasSubstr("'Foot thick'"), HasSubstr("8 mm")));
}

TEST_F(SeriesTest, TwoPatientsInTheFolderAreAnErrorUnlessOneIsChosen) {
  add({"2", "Foot bone", "Br59", 0.7, 30, 0.6, "FOOT", "A"});
  add({"3", "Foot bone thin", "Br59", 0.6, 30, 0.6, "FOOT", "B"});
  EXPECT_THAT(chosen(), AllOf(HasSubstr("error"), HasSubstr("2 patients (A, B)"), HasSubstr("Patient ID (0010,0020)")));
  EXPECT_EQ(chosen("2"), "2");
}

TEST(Sharpness, KernelsAndDescriptions) {
  // Kernel names from memory of what scanners write.
  for (const char* bone :
       {"B70s", "B60f", "Br59", "Br64d", "H70h", "U90u", "BONE", "BONEPLUS", "EDGE", "FC30", "FC81", "YD"})
    EXPECT_EQ(sharpnessOf(bone, "", ""), Sharpness::kBone) << bone;
  for (const char* soft : {"B30f", "Br40", "B20s", "STANDARD", "SOFT", "FC08", "FC12", "B", "I31f"})
    EXPECT_EQ(sharpnessOf(soft, "", ""), Sharpness::kSoft) << soft;
  EXPECT_EQ(sharpnessOf("I70f\\2", "", "soft"), Sharpness::kBone);  // the kernel counts more than the description
  EXPECT_EQ(sharpnessOf("", "BONE", "soft"), Sharpness::kBone);
  EXPECT_EQ(sharpnessOf("", "SOFT_TISSUE", "bone"), Sharpness::kSoft);
  EXPECT_EQ(sharpnessOf("", "", "FOOT BONE 0.6 mm"), Sharpness::kBone);
  EXPECT_EQ(sharpnessOf("", "", "Pied os 0,6"), Sharpness::kBone);
  EXPECT_EQ(sharpnessOf("", "", "foot st"), Sharpness::kSoft);
  EXPECT_EQ(sharpnessOf("", "", "foot axial"), Sharpness::kUnknown);
}

}  // namespace
}  // namespace rayset::test
