// Measures against the geometry of paper feet, limits from the data file, stages at their boundaries, and films that do
// not fit.
#include <fmt/format.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <fstream>
#include <random>

#include "data_files.h"
#include "english.h"
#include "films/film_reading.h"
#include "paper_foot.h"
#include "report/film_report.h"

namespace rayset::test {
namespace {

using ::testing::AllOf;
using ::testing::Contains;
using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::IsEmpty;
using ::testing::Not;

const Limits& limits() {
  static const Result<Limits> read = Limits::read(test::dataFile("limits.json"));
  EXPECT_TRUE(read) << english(read.error());
  return *read;
}

/// Films written to DICOM and read back, with landmarks that a hand placed: each up to `slip_mm` off.
class Reading : public ::testing::Test {
 protected:
  void add(FilmView view, const PaperFoot& foot, const Scene& scene = {}, const nlohmann::ordered_json& loaded = true,
           double slip_mm = 1.0) {
    PaperFilm film = paperFilm(view, foot, scene);
    const std::string name = fmt::format("f{}.dcm", ++number);
    FilmWriteInfo info = paperInfo(view, foot.side, scene);
    if (change) change(info);
    ASSERT_TRUE(writeFilm(folder / name, film.film, info));
    auto scan = readFilm(folder / name);
    ASSERT_TRUE(scan) << english(scan.error());
    scans.push_back(std::move(*scan));
    std::mt19937 random(static_cast<unsigned>(number));
    std::uniform_real_distribution<double> slip(-slip_mm, slip_mm);
    for (auto& [key, p] : film.landmarks) {
      const LandmarkKind* kind = landmarkKind(view, key);
      ASSERT_NE(kind, nullptr) << key;
      if (kind->out != EdgeWay::kNone) p += Vec2(slip(random) / scene.column_mm, 0.5 * slip(random) / scene.row_mm);
    }
    entries.push_back(landmarkEntry(name, view, foot.side, film, loaded));
    if (scene.mirrored) entries.back()["mirrored"] = true;
  }
  Result<FilmReading> measure(const FilmSettings& settings = {}) {
    const auto landmarks = parseLandmarks(nlohmann::json::parse(landmarkDocument(entries).dump()), "landmarks.json");
    if (!landmarks) return tl::unexpected(landmarks.error());
    return measureFilms(scans, *landmarks, limits(), settings);
  }
  FilmReading reading(const FilmSettings& settings = {}) {
    auto r = measure(settings);
    EXPECT_TRUE(r) << english(r.error());
    return r ? std::move(*r) : FilmReading{};
  }
  Error error() {
    const auto r = measure();
    EXPECT_FALSE(r);
    if (r) return {};
    EXPECT_FALSE(english(r.error().remedy).empty());
    return r.error();
  }
  static const FilmMeasure& get(const FilmReading& r, std::string_view key) {
    for (const FilmMeasure& m : r.measures)
      if (m.key == key) return m;
    static const FilmMeasure none;
    ADD_FAILURE() << key << " was not measured";
    return none;
  }
  static bool has(const FilmReading& r, std::string_view key) {
    return std::any_of(r.measures.begin(), r.measures.end(), [&](const FilmMeasure& m) { return m.key == key; });
  }

  Folder folder;
  int number = 0;
  std::vector<FilmScan> scans;
  nlohmann::ordered_json entries = nlohmann::ordered_json::array();
  std::function<void(FilmWriteInfo&)> change;
};

constexpr double kEdge = 0.15;  // mm: what snapping leaves of blur and noise on offsets of two or three points

TEST_F(Reading, DorsoplantarMeasuresAreThoseOfTheGeometry) {
  add(FilmView::kDorsoplantar, {.c1_m2_gap = 4, .m2_shift = 2.5});
  const FilmReading r = reading();
  EXPECT_NEAR(get(r, "c1_m2_distance").value, 6.5, kEdge);
  EXPECT_NEAR(get(r, "m1_m2_distance").value, 6.5, kEdge);
  EXPECT_NEAR(get(r, "m2_c2_medial_border").value, 2.5, kEdge);
  EXPECT_NEAR(get(r, "m1_c1_lateral_border").value, 0, kEdge);
  EXPECT_NEAR(get(r, "medial_column_line").value, 1.393,
              0.4);                                         // a line drawn on over 13 mm from two points 28 mm apart
  EXPECT_NEAR(get(r, "talo_m1_dorsoplantar").value, 0, 2);  // the head is placed by hand
  for (const FilmMeasure& m : r.measures) EXPECT_GT(m.uncertainty, 0) << m.key;
  EXPECT_FALSE(r.partial);
  EXPECT_THAT(english(r.films[0].feet[0].cautions), IsEmpty());
}

TEST_F(Reading, TheUncertaintyCoversWhatHandsDo) {
  // 95 % intervals over forty readings of one film with landmarks up to 1.5 mm off.
  int inside = 0, all = 0;
  const PaperFoot foot{.c1_m2_gap = 4, .m2_shift = 1};
  for (int times = 0; times < 20; ++times) {
    scans.clear();
    entries = nlohmann::ordered_json::array();
    add(FilmView::kDorsoplantar, foot, {.seed = static_cast<unsigned>(times + 1)}, true, 1.5);
    const FilmReading r = reading();
    for (const auto& [key, truth] : {std::pair{"c1_m2_distance", 5.0}, {"m2_c2_medial_border", 1.0}}) {
      const FilmMeasure& m = get(r, key);
      inside += std::abs(m.value - truth) <= m.uncertainty ? 1 : 0;
      ++all;
      EXPECT_LT(m.uncertainty, 1.2);
    }
  }
  EXPECT_GE(inside, static_cast<int>(0.9 * all));
}

TEST_F(Reading, LeftFeetAndMirroredFilmsGiveTheSame) {
  for (const Side side : {Side::kRight, Side::kLeft})
    for (const bool mirrored : {false, true}) {
      scans.clear();
      entries = nlohmann::ordered_json::array();
      add(FilmView::kDorsoplantar, {.side = side, .c1_m2_gap = 4, .m2_shift = 2}, {.mirrored = mirrored});
      auto landmarks = parseLandmarks(nlohmann::json::parse(landmarkDocument(entries, side).dump()), "l");
      ASSERT_TRUE(landmarks);
      const auto r = measureFilms(scans, *landmarks, limits());
      ASSERT_TRUE(r) << english(r.error());
      EXPECT_NEAR(get(*r, "m2_c2_medial_border").value, 2, kEdge);
      EXPECT_NEAR(get(*r, "c1_m2_distance").value, 6, kEdge);
    }
}

TEST_F(Reading, UnevenPixelsAndAnotherSizeOfPixel) {
  add(FilmView::kDorsoplantar, {.c1_m2_gap = 4, .m2_shift = 2}, {.column_mm = 0.25, .row_mm = 0.17});
  const FilmReading r = reading();
  EXPECT_NEAR(get(r, "c1_m2_distance").value, 6, kEdge);
  EXPECT_NEAR(get(r, "m2_c2_medial_border").value, 2, kEdge);
}

TEST_F(Reading, ObliqueMeasures) {
  add(FilmView::kOblique, {.m4_shift = -1.8, .m5_shift = 3});
  const FilmReading r = reading();
  EXPECT_NEAR(get(r, "m4_cub_medial_border").value, -1.8, kEdge);
  EXPECT_NEAR(get(r, "m3_c3_medial_border").value, 0, kEdge);
  EXPECT_NEAR(get(r, "m3_c3_lateral_border").value, 0, kEdge);
  EXPECT_NEAR(get(r, "m5_cub_lateral_offset").value, 9, kEdge);  // 6 mm of overhang in every paper foot
  EXPECT_EQ(get(r, "m4_cub_medial_border").abnormal, true) << "1 mm either way";
  EXPECT_EQ(get(r, "m5_cub_lateral_offset").abnormal, std::nullopt);
}

TEST_F(Reading, LateralMeasures) {
  add(FilmView::kLateral, {.m1_step = 2.2, .arch = 12, .sag_deg = 18});
  const FilmReading r = reading();
  EXPECT_NEAR(get(r, "dorsal_step_1").value, 2.2, kEdge);
  EXPECT_EQ(get(r, "dorsal_step_1").abnormal, true);
  EXPECT_NEAR(get(r, "m5_c1_height").value, 12, kEdge);
  EXPECT_EQ(get(r, "m5_c1_height").abnormal, false);
  EXPECT_NEAR(get(r, "talo_m1_lateral").value, 18, 2);
  EXPECT_EQ(get(r, "talo_m1_lateral").abnormal, true);
  EXPECT_NEAR(get(r, "m1_declination").value, 0, 1.5);
  EXPECT_FALSE(has(r, "dorsal_step_2")) << "its landmarks were not placed";
}

TEST_F(Reading, AnInvertedArchIsNegative) {
  add(FilmView::kLateral, {.arch = -3});
  const FilmMeasure m = get(reading(), "m5_c1_height");
  EXPECT_NEAR(m.value, -3, kEdge);
  EXPECT_EQ(m.abnormal, true);
  EXPECT_THAT(m.limits[0].source, HasSubstr("Faciszewski"));
}

TEST_F(Reading, WithoutAFloorLineTheRowsAreTaken) {
  add(FilmView::kLateral, {.arch = 12});
  entries[0]["feet"][0]["landmarks"].erase("Floor.proximal");
  const FilmReading r = reading();
  const FilmMeasure m = get(r, "m5_c1_height");
  EXPECT_NEAR(m.value, 12, kEdge);
  EXPECT_THAT(english(m.note), HasSubstr("No floor line"));
}

// --- the other foot and the limits
// ------------------------------------------------------------------------------------

TEST_F(Reading, SideDifferenceUnderLoad) {
  add(FilmView::kDorsoplantar, {.c1_m2_gap = 4, .m2_shift = 1.9});
  add(FilmView::kDorsoplantar, {.side = Side::kLeft, .c1_m2_gap = 4});
  const FilmReading r = reading();
  const FilmMeasure& m = get(r, "c1_m2_distance");
  ASSERT_TRUE(m.difference);
  EXPECT_NEAR(*m.other, 4, kEdge);
  EXPECT_NEAR(*m.difference, 1.9, 0.2);
  ASSERT_EQ(m.limits.size(), 2u);
  EXPECT_EQ(m.limits[0].key, "film_c1_m2_weight_bearing");
  EXPECT_FALSE(m.limits[0].decides);
  EXPECT_EQ(m.limits[1].key, "film_side_difference");
  EXPECT_TRUE(m.limits[1].decides);
  EXPECT_TRUE(m.limits[1].exceeded);
  EXPECT_EQ(m.abnormal, true);
  EXPECT_EQ(r.other_measures.size(), r.measures.size());
}

TEST_F(Reading, BothFeetOnOneFilm) {
  const PaperFilm right = paperFilm(FilmView::kDorsoplantar, {.c1_m2_gap = 4, .m2_shift = 1.9});
  const PaperFilm left = paperFilm(FilmView::kDorsoplantar, {.side = Side::kLeft, .c1_m2_gap = 4}, {.seed = 2});
  Film both(right.film.columns + left.film.columns, right.film.rows);
  for (int r = 0; r < both.rows; ++r)
    for (int c = 0; c < both.columns; ++c)
      both.at(c, r) = c < right.film.columns ? right.film.at(c, r) : left.film.at(c - right.film.columns, r);
  FilmWriteInfo info = paperInfo(FilmView::kDorsoplantar, Side::kRight);
  info.side.reset();
  ASSERT_TRUE(writeFilm(folder / "both.dcm", both, info));
  scans.push_back(*readFilm(folder / "both.dcm"));
  entries.push_back(landmarkEntry("both.dcm", FilmView::kDorsoplantar, Side::kRight, right));
  PaperFilm moved = left;
  for (auto& [name, p] : moved.landmarks) p.x() += right.film.columns;
  entries[0]["feet"].push_back(landmarkEntry("both.dcm", FilmView::kDorsoplantar, Side::kLeft, moved)["feet"][0]);
  const FilmReading r = reading();
  ASSERT_EQ(r.films.size(), 1u);
  EXPECT_NEAR(*get(r, "c1_m2_distance").difference, 1.9, 0.2);
  EXPECT_NEAR(*get(r, "m2_c2_medial_border").other, 0, kEdge);
  ASSERT_TRUE(writeFilmReport(english(), r, folder.path()));
  EXPECT_TRUE(std::filesystem::exists(folder / "pictures/film_1_left.png"));
  EXPECT_TRUE(std::filesystem::exists(folder / "pictures/film_1_right.png"));
}

TEST_F(Reading, TheContradictedLimitIsShownWithItsContradictionAndNeverDecides) {
  for (const bool loaded : {true, false}) {
    scans.clear();
    entries = nlohmann::ordered_json::array();
    add(FilmView::kDorsoplantar, {.c1_m2_gap = 6.5}, {}, loaded);
    const FilmReading r = reading();
    const FilmMeasure& m = get(r, "c1_m2_distance");
    ASSERT_EQ(m.limits.size(), 1u);
    const AppliedLimit& a = m.limits[0];
    EXPECT_EQ(a.value, loaded ? 5 : 3);
    EXPECT_TRUE(a.exceeded);
    EXPECT_FALSE(a.decides);
    EXPECT_THAT(english(a.contradiction), AllOf(HasSubstr("200 normal feet"), HasSubstr("5.6 mm"),
                                                HasSubstr("5.39 to 5.81"), HasSubstr("doi 10.1177/1938640019890738")));
    EXPECT_EQ(m.abnormal, std::nullopt);
    // M1-M2 has no such trouble.
    EXPECT_EQ(get(r, "m1_m2_distance").limits[0].value, loaded ? 5 : 4);
    EXPECT_EQ(get(r, "m1_m2_distance").abnormal, true);
  }
}

TEST_F(Reading, UnknownLoadGetsNoLoadedLimit) {
  add(FilmView::kDorsoplantar, {.c1_m2_gap = 6.5}, {}, nullptr);
  const FilmMeasure m = get(reading(), "c1_m2_distance");
  EXPECT_THAT(m.limits, IsEmpty());
  EXPECT_THAT(english(m.note), HasSubstr("Not known whether under load"));
}

TEST_F(Reading, FeetUnderDifferentLoadsAreNotCompared) {
  add(FilmView::kDorsoplantar, {}, {}, true);
  add(FilmView::kDorsoplantar, {.side = Side::kLeft}, {}, false);
  const FilmMeasure m = get(reading(), "c1_m2_distance");
  EXPECT_FALSE(m.difference);
  EXPECT_THAT(english(m.note), HasSubstr("another load"));
}

TEST_F(Reading, WithinTheErrorOfTheLimitIsSaid) {
  add(FilmView::kDorsoplantar, {.m2_shift = 1.05});
  const FilmMeasure m = get(reading(), "m2_c2_medial_border");
  EXPECT_TRUE(m.borderline);
  EXPECT_TRUE(m.limits[0].borderline);
}

TEST(FilmLimits, EveryLimitOfFilmsHasASourceAndNoGuessedCertainty) {
  int films = 0;
  for (const auto& [key, limit] : limits().all()) {
    EXPECT_THAT(limit.certainty, ::testing::AnyOf("found", "computed", "memory, high confidence", "design choice"))
        << key;
    films += key.starts_with("film_") || key.starts_with("nunley_") ? 1 : 0;
  }
  EXPECT_GE(films, 11);
  const NormalValue* n = limits().normal("film_c1_m2_weight_bearing");
  ASSERT_NE(n, nullptr);
  EXPECT_EQ(n->mean, 5.6);
  EXPECT_EQ(n->feet, 200);
  EXPECT_EQ(limits().find("film_c1_m2_weight_bearing")->contradicted_by, n->key);
  EXPECT_EQ(limits().find("nunley_vertullo_lower")->value, 1);
  EXPECT_EQ(limits().find("nunley_vertullo_upper")->value, 5);
}

TEST(FilmLimits, ABrokenContradictionIsRefused) {
  Folder folder;
  std::ofstream(folder / "limits.json") << R"({"limits": [{"key": "a", "value": 1, "unit": "mm", "comparison": "above",
    "source": "s", "certainty": "found", "applies_to": "x", "contradicted_by": "nothing"}]})";
  const auto read = Limits::read(folder / "limits.json");
  ASSERT_FALSE(read);
  EXPECT_THAT(english(read.error()), HasSubstr("nothing"));
  std::ofstream(folder / "limits.json")
      << R"({"limits": [], "normals": [{"key": "a", "mean": 1, "feet": 2, "unit": "mm",
    "source": "s", "certainty": "found", "applies_to": "x"}]})";
  EXPECT_FALSE(Limits::read(folder / "limits.json")) << "no spread";
}

// --- Nunley and Vertullo
// ----------------------------------------------------------------------------------------------

TEST(NunleyVertulloStage, Boundaries) {
  const auto stage = [](double d, bool lost) { return nunleyVertullo(d, 0.2, lost, limits()).value; };
  EXPECT_EQ(stage(0.0, false), "I or normal");
  EXPECT_EQ(stage(0.99, false), "I or normal");
  EXPECT_EQ(stage(1.0, false), "II");
  EXPECT_EQ(stage(3.0, false), "II");
  EXPECT_EQ(stage(5.0, false), "II");
  EXPECT_EQ(stage(5.01, true), "III");
  EXPECT_EQ(stage(5.01, false), "undefined");
  EXPECT_EQ(stage(5.0, true), "undefined");
  EXPECT_EQ(stage(0.5, true), "undefined");
  EXPECT_EQ(stage(-1.0, false), "I or normal");
  EXPECT_EQ(nunleyVertullo(3, 0.2, std::nullopt, limits()).value, "not given");
  EXPECT_EQ(nunleyVertullo(std::nullopt, 0, true, limits()).value, "not given");
  EXPECT_TRUE(nunleyVertullo(1.1, 0.2, false, limits()).borderline);
  EXPECT_TRUE(nunleyVertullo(4.9, 0.2, false, limits()).borderline);
  EXPECT_FALSE(nunleyVertullo(3, 0.2, false, limits()).borderline);
  EXPECT_THAT(english(nunleyVertullo(6, 0.2, false, limits()).reason), HasSubstr("no stage for this"));
  EXPECT_EQ(nunleyVertullo(3, 0.2, false, Limits{}).value, "not given");
}

TEST_F(Reading, StageFromFourLoadedFilms) {
  add(FilmView::kDorsoplantar, {.c1_m2_gap = 4, .m2_shift = 3});
  add(FilmView::kDorsoplantar, {.side = Side::kLeft, .c1_m2_gap = 4});
  add(FilmView::kLateral, {.arch = 16});
  EXPECT_EQ(reading().stage.value, "not given") << "the arch is not known without the other foot";
  add(FilmView::kLateral, {.side = Side::kLeft, .arch = 16});
  EXPECT_EQ(reading().stage.value, "II");
  scans.resize(2);
  entries.erase(3);
  entries.erase(2);
  add(FilmView::kLateral, {.arch = 9});
  add(FilmView::kLateral, {.side = Side::kLeft, .arch = 16});
  EXPECT_EQ(reading().stage.value, "undefined") << "3 mm with loss of height is no stage";
}

TEST_F(Reading, UnloadedFilmsGetNoStage) {
  add(FilmView::kDorsoplantar, {.m2_shift = 3}, {}, false);
  add(FilmView::kDorsoplantar, {.side = Side::kLeft}, {}, false);
  EXPECT_EQ(reading().stage.value, "not given");
}

// --- pattern and flecks
// -----------------------------------------------------------------------------------------------

TEST_F(Reading, PatternOfALateralPartialInjury) {
  add(FilmView::kDorsoplantar, {.m2_shift = 4});
  add(FilmView::kOblique, {.m4_shift = 3});
  FilmReading r = reading();
  EXPECT_EQ(r.pattern.names.myerson.value, "unclassified") << "the fifth ray may have gone anywhere";
  EXPECT_THAT(english(r.pattern.names.myerson.reason), HasSubstr("fifth ray could not be measured"));
  EXPECT_THAT(english(r.pattern.unseen), Contains(HasSubstr("ray 5")));
  EXPECT_FALSE(r.pattern.rays.at(Ray(5)).lateral_mm) << "the tuberosity counts only against the other foot";
  EXPECT_FALSE(r.pattern.holds);
  add(FilmView::kOblique, {.side = Side::kLeft});
  r = reading();
  EXPECT_NEAR(*r.pattern.rays.at(Ray(5)).lateral_mm, 0, 0.25);
  EXPECT_EQ(r.pattern.names.myerson.value, "B2");
  EXPECT_THAT(r.pattern.names.columns, ElementsAre("middle", "lateral"));
  EXPECT_FALSE(r.pattern.holds) << "a dorsal step of the first ray was not looked for";
  EXPECT_THAT(english(r.pattern.assumed), Contains(HasSubstr("No dorsal step")));
  EXPECT_THAT(english(r.pattern.unseen), Contains(HasSubstr("CT is needed")));
  EXPECT_NEAR(*r.pattern.rays.at(Ray(2)).lateral_mm, 4, kEdge);
}

TEST_F(Reading, PatternOfADivergentInjuryHoldsWhateverWasNotSeen) {
  add(FilmView::kDorsoplantar, {.c1_m2_gap = 4, .m2_shift = 4, .m1_shift = -4});
  const FilmReading r = reading();
  EXPECT_EQ(r.pattern.names.quenu_kuss.value, "divergent");
  EXPECT_EQ(r.pattern.names.hardcastle.value, "C");
}

TEST_F(Reading, FleckBetweenC1AndM2) {
  add(FilmView::kDorsoplantar, {.c1_m2_gap = 5});
  const PaperFilm film = paperFilm(FilmView::kDorsoplantar, {.c1_m2_gap = 5});
  const Vec2 c1 = film.landmarks.at("C1.lateral.distal"), m2 = film.landmarks.at("M2.medial.proximal");
  const Vec2 m = 0.5 * (c1 + m2);
  // 3 x 2 mm at 0.2 mm a pixel; and one far away, a point only.
  entries[0]["feet"][0]["flecks"] = {
      {{m.x() - 7.5, m.y() - 5}, {m.x() + 7.5, m.y() - 5}, {m.x() + 7.5, m.y() + 5}, {m.x() - 7.5, m.y() + 5}},
      {{m.x(), m.y() + 250}}};
  const FilmReading r = reading();
  ASSERT_EQ(r.flecks.size(), 2u);
  EXPECT_NEAR(*r.flecks[0].size_mm, std::hypot(3, 2), 1e-6);
  EXPECT_NEAR(*r.flecks[0].area_mm2, 6, 1e-6);
  EXPECT_EQ(r.flecks[0].in_interval, true);
  EXPECT_FALSE(r.flecks[1].size_mm);
  EXPECT_EQ(r.flecks[1].in_interval, false);
}

// --- size
// -------------------------------------------------------------------------------------------------------------

TEST_F(Reading, WithoutSizeAnglesOnly) {
  change = [](FilmWriteInfo& i) {
    i.kind = FilmWriteInfo::Kind::kComputed;
    i.column_mm = i.row_mm = i.object_column_mm = i.object_row_mm = 0;
  };
  add(FilmView::kLateral, {.sag_deg = 10});
  const FilmReading r = reading();
  EXPECT_TRUE(r.partial);
  EXPECT_NEAR(get(r, "talo_m1_lateral").value, 10, 2);
  EXPECT_FALSE(has(r, "m5_c1_height"));
  EXPECT_THAT(english(r.films[0].cautions), Contains(HasSubstr("no length was measured")));
}

TEST_F(Reading, ABallGivesTheSize) {
  change = [](FilmWriteInfo& i) {
    i.kind = FilmWriteInfo::Kind::kComputed;
    i.column_mm = i.row_mm = i.object_column_mm = i.object_row_mm = 0;
  };
  add(FilmView::kDorsoplantar, {.c1_m2_gap = 4, .m2_shift = 2});
  // A ball of 25 mm: 125 pixels of 0.2 mm across.
  nlohmann::ordered_json rim = nlohmann::ordered_json::array();
  for (const double a : {0.3, 1.9, 3.6, 5.2}) rim.push_back({100 + 62.5 * std::cos(a), 120 + 62.5 * std::sin(a)});
  entries[0]["calibration"] = {{"ball_diameter_mm", 25}, {"rim", rim}};
  const FilmReading r = reading();
  EXPECT_NEAR(r.films[0].spacing.column_mm, 0.2, 1e-6);
  EXPECT_EQ(r.films[0].spacing.origin, FilmSpacing::Origin::kByHand);
  EXPECT_NEAR(get(r, "c1_m2_distance").value, 6, kEdge);
  entries[0]["calibration"] = {{"ball_diameter_mm", 25}, {"centre", {100, 120}}, {"rim", {{100, 182.5}}}};
  EXPECT_NEAR(reading().films[0].spacing.column_mm, 0.2, 1e-9);
  entries[0]["calibration"] = {{"ball_diameter_mm", 25}, {"rim", {{1, 1}, {2, 2}, {3, 3}}}};
  EXPECT_THAT(english(error().what), HasSubstr("one line"));
}

TEST_F(Reading, AKnownLengthOverridesTheFileAndSaysSo) {
  add(FilmView::kDorsoplantar, {.c1_m2_gap = 4, .m2_shift = 2});
  entries[0]["calibration"] = {{"length_mm", 50}, {"from", {100, 100}}, {"to", {100, 300}}};  // 0.25 mm a pixel
  const FilmReading r = reading();
  EXPECT_NEAR(r.films[0].spacing.column_mm, 0.25, 1e-9);
  EXPECT_THAT(english(r.films[0].cautions), Contains(HasSubstr("calibration by hand")));
  EXPECT_NEAR(get(r, "c1_m2_distance").value, 7.5, 0.25);
}

TEST_F(Reading, DetectorSpacingIsCautioned) {
  change = [](FilmWriteInfo& i) { i.object_column_mm = i.object_row_mm = 0; };
  add(FilmView::kDorsoplantar, {.c1_m2_gap = 4});
  const FilmReading r = reading();
  EXPECT_NEAR(get(r, "c1_m2_distance").value, 4 * 1.05, 0.2);
  EXPECT_THAT(english(r.films[0].cautions), Contains(HasSubstr("3 to 6 % too large")));
}

// --- films that do not fit
// --------------------------------------------------------------------------------------------

TEST_F(Reading, WrongViewIsRefused) {
  add(FilmView::kDorsoplantar, {});
  change = [](FilmWriteInfo& i) { i.view = FilmView::kLateral; };
  scans.clear();
  entries = nlohmann::ordered_json::array();
  add(FilmView::kDorsoplantar, {});
  const Error e = error();
  EXPECT_EQ(e.fault, Fault::kRequest);
  EXPECT_THAT(english(e.what), AllOf(HasSubstr("dorsoplantar"), HasSubstr("lateral"), HasSubstr("(0054,0220)")));
  entries[0]["ignore_header_view"] = true;
  EXPECT_TRUE(has(reading(), "c1_m2_distance"));
}

TEST_F(Reading, AViewOnlyDescribedOtherwiseIsACaution) {
  change = [](FilmWriteInfo& i) {
    i.patient_orientation = "R\\P";
    i.view.reset();
    i.series_description = "Foot lateral";
  };
  add(FilmView::kDorsoplantar, {});
  EXPECT_THAT(english(reading().films[0].cautions), Contains(HasSubstr("another view")));
}

TEST_F(Reading, FootOfTheOtherSideIsRefused) {
  change = [](FilmWriteInfo& i) { i.side = Side::kLeft; };
  add(FilmView::kDorsoplantar, {});
  EXPECT_THAT(english(error()),
              AllOf(HasSubstr("right foot"), HasSubstr("header says left"), HasSubstr("(0020,0062)")));
  // The header agrees, but the points lie as on the other foot.
  change = nullptr;
  scans.clear();
  entries = nlohmann::ordered_json::array();
  add(FilmView::kDorsoplantar, {}, {.mirrored = true});
  entries[0].erase("mirrored");
  EXPECT_THAT(english(error()), AllOf(HasSubstr("lie as on a left foot"), HasSubstr("mirrored")));
}

TEST_F(Reading, ExchangedLandmarksAreNamed) {
  add(FilmView::kDorsoplantar, {});
  auto& points = entries[0]["feet"][0]["landmarks"];
  std::swap(points["C2.medial.proximal"], points["C2.medial.distal"]);
  EXPECT_THAT(english(error()), AllOf(HasSubstr("C2.medial.proximal"), HasSubstr("exchanged")));
  std::swap(points["C2.medial.proximal"], points["C2.medial.distal"]);
  std::swap(points["M1.medial.proximal"], points["M1.lateral.proximal"]);
  EXPECT_THAT(english(error()), AllOf(HasSubstr("M1.medial.proximal"), HasSubstr("against the other landmarks")));
}

TEST_F(Reading, DifferentPatientsAreRefusedNamingBoth) {
  add(FilmView::kDorsoplantar, {});
  change = [](FilmWriteInfo& i) { i.patient_id = "PAPER-2"; };
  add(FilmView::kLateral, {});
  const Error e = error();
  EXPECT_EQ(e.fault, Fault::kImages);
  EXPECT_THAT(english(e.what), AllOf(HasSubstr("PAPER-1"), HasSubstr("PAPER-2"), HasSubstr("f1.dcm"),
                                     HasSubstr("f2.dcm"), HasSubstr("(0010,0020)")));
}

TEST_F(Reading, SameIdWithAnotherBirthDateIsRefusedButSpellingIsNot) {
  add(FilmView::kDorsoplantar, {});
  change = [](FilmWriteInfo& i) { i.patient_name = "Invented^Paper^^"; };
  add(FilmView::kLateral, {});
  EXPECT_TRUE(measure());
  change = [](FilmWriteInfo& i) { i.patient_birth_date = "19900102"; };
  add(FilmView::kOblique, {});
  EXPECT_THAT(english(error().what), HasSubstr("(0010,0030)"));
}

TEST_F(Reading, FilmsWithoutPatientAreCautioned) {
  add(FilmView::kDorsoplantar, {});
  change = [](FilmWriteInfo& i) { i.patient_name = i.patient_id = i.patient_birth_date = ""; };
  add(FilmView::kLateral, {});
  EXPECT_THAT(english(reading().cautions), Contains(HasSubstr("names no patient")));
}

TEST_F(Reading, PointsOutsidePictureOrFieldAreRefused) {
  add(FilmView::kDorsoplantar, {}, {.margin_px = 40});
  ASSERT_EQ(scans[0].info.field.origin, FilmField::Origin::kFound);
  EXPECT_NEAR(get(reading(), "c1_m2_distance").value, 4, kEdge);
  entries[0]["feet"][0]["landmarks"]["C1.medial"] = {20, 300};
  EXPECT_THAT(english(error()), AllOf(HasSubstr("'C1.medial' at [20, 300]"), HasSubstr("outside the exposed field"),
                                      HasSubstr("f1.dcm")));
  entries[0]["feet"][0]["landmarks"]["C1.medial"] = {20, 30000};
  EXPECT_THAT(english(error()), HasSubstr("outside the picture"));
}

TEST_F(Reading, FilmsAndLandmarksThatMissEachOther) {
  add(FilmView::kDorsoplantar, {});
  add(FilmView::kLateral, {});
  entries[1]["file"] = "f2.dmc";
  EXPECT_THAT(english(error()), AllOf(HasSubstr("f2.dmc"), HasSubstr("Did you mean 'f2.dcm'?")));
  entries.erase(1);
  const FilmReading r = reading();
  EXPECT_TRUE(r.partial);
  EXPECT_THAT(english(r.cautions), Contains(AllOf(HasSubstr("f2.dcm"), HasSubstr("not measured"))));
}

TEST_F(Reading, ClippedAndEdgelessLandmarksAreNamed) {
  PaperFilm film = paperFilm(FilmView::kDorsoplantar, {});
  for (float& v : film.film.values) v = std::min(v, 14000.0F);  // soft tissue and bone alike
  ASSERT_TRUE(writeFilm(folder / "c.dcm", film.film, paperInfo(FilmView::kDorsoplantar, Side::kRight)));
  scans.push_back(*readFilm(folder / "c.dcm"));
  entries.push_back(landmarkEntry("c.dcm", FilmView::kDorsoplantar, Side::kRight, film));
  const FilmReading r = reading();
  EXPECT_THAT(english(r.films[0].cautions), Contains(HasSubstr("clipped")));
  EXPECT_THAT(english(r.films[0].feet[0].cautions),
              Contains(AllOf(HasSubstr("No edge within"), HasSubstr("M2.medial.distal"))));
  EXPECT_THAT(english(r.films[0].feet[0].cautions), Contains(HasSubstr("exposure is clipped around")));
  // Left where placed, with the larger uncertainty of a hand.
  EXPECT_NEAR(get(r, "c1_m2_distance").value, 4, 1e-6);
  EXPECT_GT(get(r, "c1_m2_distance").uncertainty, 1);
}

TEST_F(Reading, SnappingCanBeTurnedOff) {
  add(FilmView::kDorsoplantar, {.c1_m2_gap = 4}, {}, true, 0);
  FilmSettings unsnapped;
  unsnapped.snapping = false;
  const FilmReading off = reading(unsnapped);
  EXPECT_NEAR(get(off, "c1_m2_distance").value, 4, 1e-6);
  EXPECT_FALSE(off.films[0].feet[0].landmarks[0].snapped);
  EXPECT_GT(get(off, "c1_m2_distance").uncertainty, get(reading(), "c1_m2_distance").uncertainty);
}

}  // namespace
}  // namespace rayset::test
