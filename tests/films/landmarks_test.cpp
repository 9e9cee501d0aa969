// landmarks.json: what is read, and what is refused with file, film, key and remedy.
#include "films/landmarks.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <fstream>
#include <set>

#include "english.h"
#include "language/spoken.h"
#include "paper_foot.h"

namespace rayset::test {
namespace {

using Json = nlohmann::json;
using ::testing::AllOf;
using ::testing::HasSubstr;

Json good() {
  return Json::parse(R"({"schema": "rayset.landmarks/1", "injured": "left", "films": [
    {"file": "dp.dcm", "frame": 2, "view": "dorsoplantar", "weight_bearing": true, "mirrored": true,
     "calibration": {"ball_diameter_mm": 25, "rim": [[1, 2], [3, 4], [5, 5]]},
     "feet": [{"side": "left", "landmarks": {"C1.lateral.distal": [10.5, 20], "C1.medial": null},
               "flecks": [[[1, 1], [2, 2]]]}]},
    {"file": "lat.dcm", "view": "lateral", "weight_bearing": null,
     "calibration": {"length_mm": 50, "from": [0, 0], "to": [30, 40]},
     "feet": [{"side": "left", "landmarks": {}}, {"side": "right", "landmarks": {}}]}]})");
}

TEST(Landmarks, AreRead) {
  const auto f = parseLandmarks(good(), "l.json");
  ASSERT_TRUE(f) << english(f.error());
  EXPECT_EQ(f->injured, Side::kLeft);
  ASSERT_EQ(f->films.size(), 2u);
  EXPECT_EQ(f->films[0].frame, 2);
  EXPECT_TRUE(f->films[0].mirrored);
  EXPECT_EQ(f->films[0].weight_bearing, true);
  EXPECT_EQ(f->films[1].weight_bearing, std::nullopt);
  ASSERT_EQ(f->films[0].feet[0].points.size(), 1u) << "null was not placed";
  EXPECT_EQ(f->films[0].feet[0].points.at("C1.lateral.distal"), Vec2(10.5, 20));
  EXPECT_EQ(f->films[0].feet[0].flecks.size(), 1u);
  EXPECT_EQ(f->films[0].calibration->mm, 25);
  EXPECT_EQ(f->films[1].calibration->kind, FilmCalibration::Kind::kLength);
}

struct Spoiled {
  const char* pointer;
  const char* value;  ///< JSON; empty: removed
  const char* where;
  const char* says;  ///< in what or remedy
};
class BadLandmarks : public ::testing::TestWithParam<Spoiled> {};

TEST_P(BadLandmarks, AreRefusedWithPlaceAndRemedy) {
  const Spoiled& s = GetParam();
  Json document = good();
  const Json::json_pointer at(s.pointer);
  if (*s.value == '\0')
    document[at.parent_pointer()].erase(at.back());
  else
    document[at] = Json::parse(s.value);
  const auto f = parseLandmarks(document, "l.json");
  ASSERT_FALSE(f);
  EXPECT_EQ(f.error().fault, Fault::kRequest);
  EXPECT_THAT(f.error().where, AllOf(HasSubstr("l.json"), HasSubstr(s.where))) << english(f.error());
  EXPECT_THAT(english(f.error()), HasSubstr(s.says));
  EXPECT_FALSE(english(f.error().remedy).empty());
}

INSTANTIATE_TEST_SUITE_P(
    All, BadLandmarks,
    ::testing::Values(
        Spoiled{"/schema", "\"rayset.landmarks/2\"", "schema", "rayset.landmarks/1"},
        Spoiled{"/injured", "\"both\"", "injured", "right"}, Spoiled{"/injured", "", "injured", "right"},
        Spoiled{"/injred", "1", "l.json", "Did you mean 'injured'?"}, Spoiled{"/films", "[]", "films", "no list"},
        Spoiled{"/films/0/view", "\"dorsoplanter\"", "film 1 (dp.dcm), view", "Did you mean 'dorsoplantar'?"},
        Spoiled{"/films/0/view", "\"skyline\"", "film 1 (dp.dcm), view", "dorsoplantar, oblique or lateral"},
        Spoiled{"/films/0/weight_bearing", "", "film 1 (dp.dcm), weight_bearing", "null where it is not known"},
        Spoiled{"/films/0/frame", "0", "frame", "from 1"},
        Spoiled{"/films/0/feet/0/landmarks/C1.latteral.distal", "[1,2]", "'C1.latteral.distal'",
                "Did you mean 'C1.lateral.distal'?"},
        Spoiled{"/films/0/feet/0/landmarks/c1.lateral.distal", "[1,2]", "left foot",
                "Did you mean 'C1.lateral.distal'?"},
        Spoiled{"/films/0/feet/0/landmarks/M4.medial.proximal", "[1,2]", "film 1 (dp.dcm), left foot",
                "belongs to the oblique view"},
        Spoiled{"/films/0/feet/0/landmarks/C1.medial", "[1]", "'C1.medial'", "[column, row]"},
        Spoiled{"/films/0/feet/0/landmarks/C1.medial", "[\"1\", 2]", "'C1.medial'", "[column, row]"},
        Spoiled{"/films/0/feet/0/side", "\"lft\"", "side", "which foot"},
        Spoiled{"/films/0/feet", "[]", "feet", "one or two feet"},
        Spoiled{"/films/1/feet/1/side", "\"left\"", "film 2 (lat.dcm), feet", "same side"},
        Spoiled{"/films/0/feet/0/flecks", "[[]]", "fleck 1", "1 or more"},
        Spoiled{"/films/0/calibration/ball_diameter_mm", "-1", "calibration", "above 0"},
        Spoiled{"/films/0/calibration/rim", "[[1,2],[3,4]]", "rim", "3 or more"},
        Spoiled{"/films/0/calibration/length_mm", "3", "calibration", "either"},
        Spoiled{"/films/1/calibration/to", "[0,0]", "calibration", "same point"},
        Spoiled{"/films/0/file", "", "film 1, file", "no file name"}));

TEST(Landmarks, TheSameFilmTwiceIsRefused) {
  Json document = good();
  document["films"].push_back(document["films"][1]);
  const auto f = parseLandmarks(document, "l.json");
  ASSERT_FALSE(f);
  EXPECT_THAT(english(f.error()), HasSubstr("twice"));
}

TEST(Landmarks, FilesThatAreNoJson) {
  Folder folder;
  EXPECT_FALSE(readLandmarks(folder / "none.json"));
  std::ofstream(folder / "bad.json") << "{\"schema\": ";
  const auto f = readLandmarks(folder / "bad.json");
  ASSERT_FALSE(f);
  EXPECT_THAT(english(f.error().what), HasSubstr("not valid JSON"));
}

TEST(Landmarks, EveryKindIsNamedOnceAViewAndItsPartnerIsThere) {
  std::set<std::pair<FilmView, std::string_view>> seen;
  for (const LandmarkKind& kind : landmarkKinds()) {
    EXPECT_TRUE(seen.emplace(kind.view, kind.name).second) << kind.name;
    EXPECT_FALSE(kind.meaning.empty());
    if (kind.along.empty()) continue;
    const LandmarkKind* other = landmarkKind(kind.view, kind.along);
    ASSERT_NE(other, nullptr) << kind.name;
    EXPECT_EQ(other->along, kind.name);
    EXPECT_EQ(other->out, kind.out);
  }
}

TEST(Landmarks, TemplateIsValidAndTellsEveryLandmarkOfTheView) {
  FilmInfo a, b;
  a.file = "a.dcm";
  a.view = FilmView::kLateral;
  a.side = Side::kLeft;
  a.weight_bearing = true;
  b.file = "b.dcm";
  b.both_sides = true;
  const auto document = inWords(landmarkTemplate({a, b}), english());
  const auto f = parseLandmarks(Json::parse(document.dump()), "template");
  ASSERT_TRUE(f) << english(f.error());
  EXPECT_EQ(f->injured, Side::kLeft);
  EXPECT_EQ(f->films[0].view, FilmView::kLateral);
  EXPECT_EQ(f->films[0].weight_bearing, true);
  EXPECT_EQ(f->films[1].feet.size(), 2u);
  for (const LandmarkKind& kind : landmarkKinds())
    if (kind.view == FilmView::kLateral) {
      EXPECT_TRUE(document["films"][0]["feet"][0]["landmarks"].contains(std::string(kind.name)));
      EXPECT_EQ(document["films"][0]["meaning"][std::string(kind.name)], english(kind.meaning));
    }
  EXPECT_EQ(document["films"][0]["meaning"]["C1.dorsal.distal"],
            "dorsal border of the medial cuneiform at its distal corner");
  EXPECT_THAT(document["note"].get<std::string>(), HasSubstr("Check 'injured', 'side'"));
  EXPECT_THAT(document["films"][1]["note"].get<std::string>(), HasSubstr("does not tell the view"));
}

}  // namespace
}  // namespace rayset::test
