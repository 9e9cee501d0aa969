#include "fixation/catalogue.h"

#include <gmock/gmock.h>

#include <fstream>

#include "data_files.h"
#include "english.h"
#include "fixation/purchase.h"

namespace rayset {
namespace {

using testing::HasSubstr;

TEST(Catalogue, HoldsTheGenericImplantsWithSources) {
  const auto catalogue = readCatalogue(test::dataFile("implants.json"));
  ASSERT_TRUE(catalogue) << english(catalogue.error());
  const ImplantType* screw = catalogue->find("cortex-3.5");
  ASSERT_NE(screw, nullptr);
  EXPECT_EQ(screw->kind, DeviceKind::kScrew);
  EXPECT_DOUBLE_EQ(screw->core_mm, 2.4);
  EXPECT_DOUBLE_EQ(screw->drill_mm, 2.5);
  EXPECT_DOUBLE_EQ(screw->tap_mm, 3.5);
  EXPECT_DOUBLE_EQ(screw->head_diameter_mm, 6.0);
  EXPECT_DOUBLE_EQ(screw->pitch_mm, 1.25);
  std::vector<double> lengths;
  for (double l = 10; l <= 40; l += 2) lengths.push_back(l);
  lengths.insert(lengths.end(), {45, 50, 55, 60});
  EXPECT_EQ(screw->lengths_mm, lengths);
  for (const char* id :
       {"wire-1.6-threaded", "wire-1.6-smooth", "wire-1.0-smooth", "wire-1.25-smooth", "wire-2.0-smooth"}) {
    ASSERT_NE(catalogue->find(id), nullptr) << id;
    EXPECT_EQ(catalogue->find(id)->kind, DeviceKind::kWire);
  }
  for (const ImplantType& type : catalogue->types) {
    EXPECT_FALSE(type.source.empty()) << type.id;
    EXPECT_FALSE(type.certainty.empty()) << type.id;
  }
  EXPECT_TRUE(std::any_of(catalogue->instruments.begin(), catalogue->instruments.end(),
                          [](const InstrumentType& i) { return i.id == "countersink-3.5"; }));
  EXPECT_EQ(catalogue->find("plate"), nullptr);
}

TEST(Catalogue, SnapsDown) {
  const auto catalogue = readCatalogue(test::dataFile("implants.json"));
  ASSERT_TRUE(catalogue);
  const ImplantType& screw = *catalogue->find("cortex-3.5");
  EXPECT_DOUBLE_EQ(screw.longestWithin(35.9), 34);
  EXPECT_DOUBLE_EQ(screw.longestWithin(36.0), 36);
  EXPECT_DOUBLE_EQ(screw.longestWithin(44.9), 40);
  EXPECT_DOUBLE_EQ(screw.longestWithin(9.9), 0);
  EXPECT_DOUBLE_EQ(screw.longestWithin(500), 60);
}

// Each way a catalogue can be wrong, and the key the message has to name.
class BrokenCatalogue : public testing::TestWithParam<std::tuple<const char*, const char*, const char*>> {};

TEST_P(BrokenCatalogue, NamesFileAndKey) {
  const auto& [find, replace, key] = GetParam();
  std::ifstream stream(test::dataFile("implants.json"));
  std::string text((std::istreambuf_iterator<char>(stream)), std::istreambuf_iterator<char>());
  const auto at = text.find(find);
  ASSERT_NE(at, std::string::npos);
  text.replace(at, std::string(find).size(), replace);
  const auto info = testing::UnitTest::GetInstance()->current_test_info();
  std::string name = info->name();
  std::replace(name.begin(), name.end(), '/', '-');
  const auto file = std::filesystem::temp_directory_path() / ("rayset-catalogue-" + name + ".json");
  std::ofstream(file) << text;
  const auto catalogue = readCatalogue(file);
  std::filesystem::remove(file);
  ASSERT_FALSE(catalogue);
  EXPECT_EQ(catalogue.error().fault, Fault::kRequest);
  EXPECT_THAT(catalogue.error().where, HasSubstr(file.filename().string()));
  EXPECT_THAT(catalogue.error().where + english(catalogue.error().what), HasSubstr(key));
  EXPECT_FALSE(english(catalogue.error().remedy).empty());
}

INSTANTIATE_TEST_SUITE_P(
    All, BrokenCatalogue,
    testing::Values(std::tuple{"{", "", "JSON"}, std::tuple{"rayset.implants/1", "other", "schema"},
                    std::tuple{"\"core_mm\": 2.4,", "", "core_mm"},
                    std::tuple{"\"core_mm\": 2.4", "\"core_mm\": \"2.4\"", "implants[0].core_mm"},
                    std::tuple{"\"drill_mm\": 2.5", "\"drill_mm\": 3.6", "implants[0].drill_mm"},
                    std::tuple{"\"diameter_mm\": 3.5", "\"diameter_mm\": -3.5", "implants[0].diameter_mm"},
                    std::tuple{"[10, 12,", "[12, 10,", "implants[0].lengths_mm"},
                    std::tuple{"\"kind\": \"screw\"", "\"kind\": \"plate\"", "implants[0].kind"},
                    std::tuple{"wire-1.6-smooth", "wire-1.6-threaded", "implants[2].id"},
                    std::tuple{"[\"cortex-3.5\"]", "[\"cortex-9\"]", "instruments[0].for"}));

TEST(Catalogue, MissingFileIsNamed) {
  const auto catalogue = readCatalogue("/nowhere/implants.json");
  ASSERT_FALSE(catalogue);
  EXPECT_THAT(english(catalogue.error()), HasSubstr("/nowhere/implants.json"));
}

// Reference table E, computed rows: thread 3.5 / 2.4 / 1.25.
TEST(Purchase, ChapmanGoldenValues) {
  const double tsf = threadShapeFactor(3.5, 2.4, 1.25);
  EXPECT_NEAR(tsf, 0.7540, 5e-5);
  EXPECT_NEAR(chapmanPullout(1, 3.5, 1, tsf), 8.291, 5e-4);  // thread area per millimetre
  EXPECT_NEAR(chapmanPullout(1.6, 3.5, 20, tsf), 265, 0.5);
  EXPECT_NEAR(chapmanPullout(2.8, 3.5, 20, tsf), 464, 0.5);
  EXPECT_NEAR(chapmanPullout(4.3, 3.5, 20, tsf), 713, 0.5);
  EXPECT_NEAR(chapmanPullout(50, 3.5, 2, tsf), 829, 0.5);
  EXPECT_NEAR(threadShapeFactor(4.0, 1.9, 1.75), 0.846, 5e-4);
  EXPECT_NEAR(chapmanPullout(1, 4.0, 1, threadShapeFactor(4.0, 1.9, 1.75)), 10.64, 5e-3);
}

TEST(Purchase, ShearStrengthFollowsTheNamedLaws) {
  // HU at which Rho's law gives 0.4 g/cm^3; Carter and Hayes then give 8.3 MPa in compression (table E).
  const auto strength = shearStrengthFromHu((400 - 114) / 0.916);
  EXPECT_NEAR(2 * strength.typical_mpa, 8.3, 0.05);
  EXPECT_NEAR(strength.low_mpa, strength.typical_mpa / 2, 1e-12);
  EXPECT_NEAR(strength.high_mpa, strength.typical_mpa * 2, 1e-12);
  EXPECT_LT(shearStrengthFromHu(50).typical_mpa, shearStrengthFromHu(300).typical_mpa);
  EXPECT_GT(shearStrengthFromHu(-900).typical_mpa, 0);  // air does not turn the estimate negative
}

}  // namespace
}  // namespace rayset
