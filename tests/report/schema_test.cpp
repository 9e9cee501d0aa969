// plan.json against data/schema/plan.schema.json, with the validator of the Debian package python3-jsonschema: a
// validator that shares nothing with the program that writes the file.
#include <fmt/format.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <array>
#include <cstdio>
#include <filesystem>
#include <fstream>
#include <functional>

#include "sample_case.h"

namespace rayset {
namespace {

using Json = nlohmann::ordered_json;
using testing::HasSubstr;

struct Verdict {
  int status;  ///< 0 follows the schema, 1 does not, 2 could not be tried
  std::string output;
};
Verdict validate(const std::vector<Json>& plans) {
  const auto folder = std::filesystem::temp_directory_path() / fmt::format("rayset_schema_{}", ::getpid());
  std::filesystem::create_directories(folder);
  const std::string data = RAYSET_DATA_DIR;
  std::string command =
      "/usr/bin/python3 '" + data + "/../tests/report/validate_plan.py' '" + data + "/schema/plan.schema.json'";
  for (std::size_t i = 0; i < plans.size(); ++i) {
    const auto file = folder / fmt::format("plan{}.json", i);
    std::ofstream(file) << plans[i].dump(1);
    command += " '" + file.string() + "'";
  }
  Verdict verdict{-1, {}};
  if (FILE* pipe = ::popen((command + " 2>&1").c_str(), "r"); pipe != nullptr) {
    std::array<char, 4096> buffer;
    std::size_t n;
    while ((n = std::fread(buffer.data(), 1, buffer.size(), pipe)) > 0) verdict.output.append(buffer.data(), n);
    const int status = ::pclose(pipe);
    verdict.status = WIFEXITED(status) ? WEXITSTATUS(status) : -1;
  }
  std::filesystem::remove_all(folder);
  return verdict;
}

Case timed(Case c) {
  for (const char* stage : {"read", "bones", "injury", "reduction", "fixation", "report"}) c.timings_s[stage] = 1.25;
  return c;
}
Json standard() { return planJson(timed(sample::makeCase(sample::blockFoot(), Side::kRight, sample::homolateral()))); }

TEST(PlanSchema, PlansFollowIt) {
  BoneSurfaces gaps = sample::blockFoot();
  gaps.erase(Bone::kM4);
  auto rays = sample::homolateral();
  rays[3] = {};
  const Case partial = sample::makeCase(gaps, Side::kRight, rays, false);
  const Case quiet = sample::makeCase(mirrored(sample::blockFoot()), Side::kLeft, sample::inPlace());
  const Verdict v = validate({standard(), planJson(timed(partial)), planJson(timed(quiet))});
  EXPECT_EQ(v.status, 0) << v.output;
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
  const Verdict v = validate(plans);
  ASSERT_EQ(v.status, 1) << v.output;
  for (std::size_t i = 0; i < damages.size(); ++i)
    EXPECT_THAT(v.output, HasSubstr(fmt::format("plan{}.json: {}", i, damages[i].what)));
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
