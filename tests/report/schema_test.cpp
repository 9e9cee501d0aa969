// plan.json against data/schema/plan.schema.json, with the validator of the Debian package python3-jsonschema: a
// validator that shares nothing with the program that writes the file.
#include <fmt/format.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <filesystem>
#include <fstream>
#include <functional>

#include "english.h"
#include "sample_case.h"
#include "shell.h"

namespace rayset {
namespace {

using Json = nlohmann::ordered_json;
using testing::HasSubstr;

test::Ended validate(const std::vector<Json>& plans, const std::string& schema = "plan.schema.json") {
  const auto folder = std::filesystem::temp_directory_path() / fmt::format("rayset_schema_{}", ::getpid());
  std::filesystem::create_directories(folder);
  std::vector<std::filesystem::path> files;
  for (std::size_t i = 0; i < plans.size(); ++i) {
    files.push_back(folder / fmt::format("plan{}.json", i));
    std::ofstream(files.back()) << plans[i].dump(1);
  }
  test::Ended verdict = test::validated(schema, files);
  std::filesystem::remove_all(folder);
  return verdict;
}

Case timed(Case c) {
  for (const char* stage : {"read", "bones", "injury", "reduction", "fixation", "report"}) c.timings_s[stage] = 1.25;
  return c;
}
Json standard() {
  return planJson(timed(sample::makeCase(sample::blockFoot(), Side::kRight, sample::homolateral())), english());
}

TEST(PlanSchema, PlansFollowIt) {
  BoneSurfaces gaps = sample::blockFoot();
  gaps.erase(Bone::kM4);
  auto rays = sample::homolateral();
  rays.erase(Ray(4));
  const Case partial = sample::makeCase(gaps, Side::kRight, rays, false);
  const Case quiet = sample::makeCase(mirrored(sample::blockFoot()), Side::kLeft, sample::inPlace());
  const test::Ended v = validate({standard(), planJson(timed(partial), english()), planJson(timed(quiet), english())});
  EXPECT_EQ(v.status, 0) << v.said;
}

TEST(PlanSchema, ARayThatCannotBeToldIsNullAndWithholdsTheNames) {
  Case c = timed(sample::makeCase(sample::blockFoot(), Side::kRight, sample::homolateral()));
  c.rays.at(Ray(1)).told = false;
  c.reduction.rays.at(Ray(1)).doubt = "its joint fits as well as it stands";
  c.patterns = classify(c.rays);
  const Json j = planJson(c, english());
  EXPECT_TRUE(j["injury"]["rays"][0]["displaced"].is_null());
  EXPECT_TRUE(j["injury"]["rays"][1]["displaced"].is_boolean());
  for (const Json& r : j["reduction"]["rays"])
    EXPECT_EQ(r["doubt"], r["ray"] == 1 ? english(c.reduction.rays.at(Ray(1)).doubt) : "") << r["ray"];
  EXPECT_EQ(j["injury"]["patterns"]["hardcastle"], "cannot be told");
  const test::Ended v = validate({j});
  EXPECT_EQ(v.status, 0) << v.said;
}

TEST(PlanSchema, EveryKindOfDamageIsCaught) {
  struct Damage {
    const char* what;
    std::function<void(Json&)> make;
  };
  const std::vector<Damage> damages{
      {"schema", [](Json& j) { j["schema"] = "rayset.plan/2"; }},
      {"side", [](Json& j) { j["side"] = "Right"; }},
      {"frame/distal", [](Json& j) { j["frame"]["distal"][1] = 1.5; }},
      {"frame/origin", [](Json& j) { j["frame"]["origin"].push_back(0.0); }},
      {"bones/0", [](Json& j) { j["bones"][0].erase("label"); }},
      {"bones/1/id", [](Json& j) { j["bones"][1]["id"] = "M6"; }},
      {"bones/2/volume_mm3", [](Json& j) { j["bones"][2]["volume_mm3"] = 0; }},
      {"bones/0/doubts/0", [](Json& j) { j["bones"][0]["doubts"] = {"wobbly"}; }},
      {"bones/0/doubt", [](Json& j) { j["bones"][0]["doubts"] = {"metal"}; }},
      {"missing/0/doubts",
       [](Json& j) {
         j["missing"] = {{{"id", "M5"}, {"confidence", 0}, {"doubts", Json::array()}}};
       }},
      {"reduction/rays/0", [](Json& j) { j["reduction"]["rays"][0].erase("by_hand"); }},
      {"edits",
       [](Json& j) {
         j["edits"] = {{"file", "e.json"}};
       }},
      {"bones/0/surface", [](Json& j) { j["bones"][0]["surface"] = "../M1.stl"; }},
      {"injury/rays/1/ray", [](Json& j) { j["injury"]["rays"][1]["ray"] = 0; }},
      {"injury/rays/1/shift_mm", [](Json& j) { j["injury"]["rays"][1]["shift_mm"].erase("dorsal"); }},
      {"injury/rays/0/turn_deg/pronation", [](Json& j) { j["injury"]["rays"][0]["turn_deg"]["pronation"] = "4"; }},
      {"injury/rays/0/displaced", [](Json& j) { j["injury"]["rays"][0]["displaced"] = 1; }},
      {"injury/measures/0", [](Json& j) { j["injury"]["measures"][0].erase("source"); }},
      {"injury/measures/0/limit", [](Json& j) { j["injury"]["measures"][0]["limit"] = nullptr; }},
      {"injury/measures/0/source", [](Json& j) { j["injury"]["measures"][0]["source"] = ""; }},
      {"injury/patterns/myerson", [](Json& j) { j["injury"]["patterns"]["myerson"] = "B"; }},
      {"injury/patterns/columns",
       [](Json& j) {
         j["injury"]["patterns"]["columns"] = {"medial", "medial"};
       }},
      {"reduction/method", [](Json& j) { j["reduction"]["method"] = "guess"; }},
      {"reduction", [](Json& j) { j["reduction"].erase("mirror_residual_mm"); }},
      {"reduction/order",
       [](Json& j) {
         j["reduction"]["order"] = {2, 2, 3};
       }},
      {"reduction/rays/0/transform/3",
       [](Json& j) {
         j["reduction"]["rays"][0]["transform"][3] = {0, 0, 1, 1};
       }},
      {"reduction/rays/0/transform/0", [](Json& j) { j["reduction"]["rays"][0]["transform"][0].erase(3); }},
      {"reduction/rays/0/uncertainty/mm", [](Json& j) { j["reduction"]["rays"][0]["uncertainty"]["mm"] = -0.1; }},
      {"fixation/devices/0/kind", [](Json& j) { j["fixation"]["devices"][0]["kind"] = "nail"; }},
      {"fixation/devices/0/through", [](Json& j) { j["fixation"]["devices"][0]["through"] = Json::array(); }},
      {"fixation/devices/0/checks/inside_fraction",
       [](Json& j) { j["fixation"]["devices"][0]["checks"]["inside_fraction"] = 1.2; }},
      {"fixation/devices/0/checks", [](Json& j) { j["fixation"]["devices"][0]["checks"].erase("nearest_device_mm"); }},
      {"timings_s", [](Json& j) { j["timings_s"].erase("fixation"); }},
      {"cautions", [](Json& j) { j["cautions"] = "none"; }},
      {"(top)", [](Json& j) { j["extra"] = 1; }},
  };
  std::vector<Json> plans;
  for (const Damage& d : damages) {
    plans.push_back(standard());
    d.make(plans.back());
  }
  const test::Ended v = validate(plans);
  ASSERT_EQ(v.status, 1) << v.said;
  for (std::size_t i = 0; i < damages.size(); ++i)
    EXPECT_THAT(v.said, HasSubstr(fmt::format("plan{}.json: {}", i, damages[i].what)));
}

// The same files pass the schema of edits and the program's own reader, and the same damages fail both.
TEST(EditsSchema, AgreesWithTheReader) {
  const Json good = Json::parse(R"({
    "schema": "rayset.edits/1", "side": "right", "note": "n",
    "seeds": [{"bone": "M3", "point": [1, 2.5, -3], "radius_mm": 2}],
    "splits": [{"bones": ["C2", "C3"], "plane": {"point": [0, 0, 0], "normal": [0, 0, 2]}, "reach_mm": 15},
               {"bones": ["M2", "M3"], "seeds": {"M3": [[1, 1, 1], [2, 2, 2]], "M2": [[0, 0, 0]]}}],
    "merges": [{"into": "M2", "point": [1, 1, 1]}, {"into": "M2", "fragment": "M2.1"}],
    "remove": ["M4"],
    "renames": [{"from": "M2", "to": "M3"}, {"from": "M3", "to": "M2"}],
    "landmarks": [{"ray": 2, "base_point": [1, 2, 3], "axis": [[0, 0, 0], [0, -20, 0]]}],
    "poses": [{"ray": 1, "injured_to_reduced": [[0, -1, 0, 5], [1, 0, 0, 6], [0, 0, 1, 7], [0, 0, 0, 1]], "use": "start"},
              {"ray": 3, "shift_mm": {"lateral": -1.5}, "turn_deg": {"abduction": 9}}]})");
  const test::Ended v = validate({good, Json{{"schema", "rayset.edits/1"}}}, "edits.schema.json");
  EXPECT_EQ(v.status, 0) << v.said;
  EXPECT_TRUE(parseEdits(good.dump(), "e").has_value());
  const std::vector<std::function<void(Json&)>> damages{
      [](Json& j) { j.erase("schema"); },
      [](Json& j) { j["sead"] = 1; },
      [](Json& j) { j["seeds"][0]["bone"] = "M6"; },
      [](Json& j) { j["seeds"][0]["point"].push_back(0); },
      [](Json& j) { j["seeds"][0]["radius_mm"] = 50; },
      [](Json& j) { j["splits"][0].erase("plane"); },
      [](Json& j) { j["splits"][1]["reach_mm"] = 5; },
      [](Json& j) { j["splits"][1]["seeds"].erase("M2"); },
      [](Json& j) { j["merges"][0]["fragment"] = "M2.1"; },
      [](Json& j) { j["merges"][1]["fragment"] = "M2"; },
      [](Json& j) { j["remove"].push_back("M4"); },
      [](Json& j) { j["renames"][0].erase("to"); },
      [](Json& j) {
        j["landmarks"][0] = {{"ray", 2}};
      },
      [](Json& j) { j["landmarks"][0]["ray"] = 6; },
      [](Json& j) { j["poses"][0]["shift_mm"] = Json::object(); },
      [](Json& j) { j["poses"][1]["use"] = "start"; },
      [](Json& j) { j["poses"][0]["injured_to_reduced"][3][3] = 2; },
      [](Json& j) { j["poses"][1]["turn_deg"]["abduction"] = 100; },
  };
  std::vector<Json> damaged;
  for (std::size_t n = 0; n < damages.size(); ++n) {
    Json j = good;
    damages[n](j);
    EXPECT_FALSE(parseEdits(j.dump(), "e").has_value()) << n;
    damaged.push_back(std::move(j));
  }
  const test::Ended bad = validate(damaged, "edits.schema.json");
  EXPECT_EQ(bad.status, 1) << bad.said;
  for (std::size_t n = 0; n < damaged.size(); ++n)
    EXPECT_THAT(bad.said, HasSubstr(fmt::format("plan{}.json:", n))) << damaged[n].dump();
}

// What a schema cannot say: the numbers of a plan agree with each other.
TEST(PlanSchema, GeometryIsConsistent) {
  const Json j = standard();
  const auto vec = [](const Json& a) { return Vec3(a[0], a[1], a[2]); };
  const Vec3 distal = vec(j["frame"]["distal"]), medial = vec(j["frame"]["medial"]), dorsal = vec(j["frame"]["dorsal"]);
  EXPECT_NEAR(distal.norm(), 1, 1e-6);
  EXPECT_NEAR(distal.dot(medial), 0, 1e-6);
  EXPECT_NEAR(distal.cross(medial).dot(dorsal), j["side"] == "right" ? 1 : -1, 1e-6);
  for (const Json& d : j["fixation"]["devices"]) {
    const Vec3 entry = vec(d["entry"]), tip = vec(d["tip"]), direction = vec(d["direction"]);
    EXPECT_NEAR(direction.norm(), 1, 1e-5);
    EXPECT_NEAR((tip - entry).norm(), d["length_mm"].get<double>(), 0.01);
    EXPECT_LT(((tip - entry).normalized() - direction).norm(), 1e-3);
  }
  for (const Json& r : j["reduction"]["rays"]) {
    Mat3 R;
    for (int a = 0; a < 3; ++a)
      for (int b = 0; b < 3; ++b) R(a, b) = r["transform"][static_cast<std::size_t>(a)][static_cast<std::size_t>(b)];
    EXPECT_LT((R * R.transpose() - Mat3::Identity()).norm(), 1e-6);
    EXPECT_NEAR(R.determinant(), 1, 1e-6);
  }
  for (const Json& r : j["injury"]["rays"]) {
    const double shift = std::hypot(r["shift_mm"]["lateral"].get<double>(), r["shift_mm"]["dorsal"].get<double>());
    EXPECT_EQ(r["displaced"].get<bool>(), shift >= 2.0);
  }
}

}  // namespace
}  // namespace rayset
