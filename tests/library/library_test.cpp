// The library as programs see it: nothing of its inside is included here, and what it says is held against the files
// that the program wrote.
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <unistd.h>

#include <atomic>
#include <cmath>
#include <cstring>
#include <mutex>
#include <nlohmann/json.hpp>
#include <set>

#include "rayset/rayset.h"
#include "shell.h"
#include "text_file.h"

namespace rs = rayset::api;

namespace {

namespace fs = std::filesystem;
using rayset::test::readAll;
using testing::HasSubstr;
using Json = nlohmann::ordered_json;

class Library : public testing::Test {
 protected:
  Library() : folder_(fs::temp_directory_path() / ("rayset-library-" + std::to_string(getpid()))) {
    fs::remove_all(folder_);
    fs::create_directories(folder_);
  }
  ~Library() override { fs::remove_all(folder_); }

  static rs::Resources resources() { return *rs::Resources::read(RAYSET_DATA_DIR); }
  static Json planned() { return Json::parse(readAll(fs::path(RAYSET_PLAN_DIR) / "plan.json")); }
  static rs::PlanRequest phantom() { return {.images = fs::path(RAYSET_PHANTOM_DIR) / "ct"}; }

  fs::path folder_;
};

void expectPoint(const rs::Point& p, const Json& j, double within = 1e-9) {
  for (std::size_t i = 0; i < 3; ++i) EXPECT_NEAR(p[i], j.at(i).get<double>(), within) << j;
}
void expectMatrix(const rs::Matrix& m, const Json& j, double within = 1e-9) {
  for (std::size_t row = 0; row < 4; ++row)
    for (std::size_t column = 0; column < 4; ++column)
      EXPECT_NEAR(m[4 * row + column], j.at(row).at(column).get<double>(), within) << j;
}
void expectMeasures(const std::vector<rs::Measure>& measures, const Json& list) {
  ASSERT_EQ(measures.size(), list.size());
  for (std::size_t n = 0; n < list.size(); ++n) {
    const rs::Measure& m = measures[n];
    const Json& j = list[n];
    EXPECT_EQ(m.key, j["key"]);
    EXPECT_EQ(m.name, j["name"]);
    EXPECT_EQ(m.unit, j["unit"]);
    EXPECT_DOUBLE_EQ(m.value, j["value"]);
    EXPECT_EQ(m.limit ? Json(*m.limit) : Json(nullptr), j["limit"]);
    EXPECT_EQ(m.limit_on_difference, j["limit_on"] == "side difference");
    EXPECT_EQ(m.limit_is_lower, j["limit_is"] == "lower");
    EXPECT_EQ(m.abnormal ? Json(*m.abnormal) : Json(nullptr), j["abnormal"]);
    EXPECT_EQ(m.source, j["source"]);
    EXPECT_EQ(m.note, j["note"]);
    ASSERT_EQ(m.from && m.to, j.contains("from"));
    if (m.from) expectPoint(*m.from, j["from"]);
    if (m.to) expectPoint(*m.to, j["to"]);
  }
}

TEST_F(Library, HasTheVersionOfItsHeaders) {
  EXPECT_EQ(rs::version(), RAYSET_VERSION);
  EXPECT_STREQ(RAYSET_VERSION_STRING, RAYSET_VERSION);
  EXPECT_EQ(std::to_string(RAYSET_VERSION_MAJOR) + "." + std::to_string(RAYSET_VERSION_MINOR) + "." +
                std::to_string(RAYSET_VERSION_PATCH),
            RAYSET_VERSION);
}

class OpenedPlan : public Library {
 protected:
  rs::Plan plan_ = *rs::Plan::open(RAYSET_PLAN_DIR, resources());
  Json file_ = planned();
};

TEST_F(OpenedPlan, SaysWhatThePlanSays) {
  EXPECT_EQ(plan_.side(), file_["side"] == "left" ? rs::Side::kLeft : rs::Side::kRight);
  EXPECT_EQ(plan_.images().patient_id, file_["images"]["patient_id"]);
  EXPECT_EQ(plan_.images().patient_name, file_["images"]["patient_name"]);
  EXPECT_EQ(plan_.images().study_uid, file_["images"]["study_uid"]);
  EXPECT_EQ(plan_.images().study_date, file_["images"]["study_date"]);
  EXPECT_EQ(plan_.images().series_uid, file_["images"]["series_uid"]);
  EXPECT_EQ(plan_.images().series_description, file_["images"]["series_description"]);
  EXPECT_EQ(plan_.images().frame_of_reference_uid, file_["images"]["frame_of_reference_uid"]);
  EXPECT_EQ(plan_.images().files, file_["images"]["files"]);
  expectPoint(plan_.frame().origin, file_["frame"]["origin"]);
  expectPoint(plan_.frame().distal, file_["frame"]["distal"]);
  expectPoint(plan_.frame().medial, file_["frame"]["medial"]);
  expectPoint(plan_.frame().dorsal, file_["frame"]["dorsal"]);
  EXPECT_EQ(Json(plan_.cautions()), file_["cautions"]);
  EXPECT_EQ(plan_.partial(), file_["partial"]);
  EXPECT_EQ(plan_.missing().size(), file_["missing"].size());
  const auto timings = plan_.timings_s();
  EXPECT_EQ(timings.size(), file_["timings_s"].size());
  for (const auto& [stage, seconds] : file_["timings_s"].items())
    EXPECT_DOUBLE_EQ(timings.at(stage), seconds.get<double>()) << stage;
}

TEST_F(OpenedPlan, HasItsBones) {
  const auto bones = plan_.bones();
  ASSERT_EQ(bones.size(), file_["bones"].size());
  for (std::size_t n = 0; n < bones.size(); ++n) {
    const rs::Bone& b = bones[n];
    const Json& j = file_["bones"][n];
    EXPECT_EQ(b.id, j["id"]);
    EXPECT_DOUBLE_EQ(b.confidence, j["confidence"]) << b.id;
    EXPECT_EQ(b.doubt, j["doubt"]) << b.id;
    EXPECT_EQ(b.complete, j["complete"]) << b.id;
    EXPECT_EQ(b.by_hand, j["by_hand"]) << b.id;
    EXPECT_DOUBLE_EQ(b.volume_mm3, j["volume_mm3"]) << b.id;
    EXPECT_DOUBLE_EQ(b.mean_hu, j["mean_hu"]) << b.id;
  }
  EXPECT_EQ(bones[1].id, "M2");
  EXPECT_EQ(bones[1].name, "second metatarsal");
}

TEST_F(OpenedPlan, HasItsRays) {
  const auto rays = plan_.rays();
  ASSERT_EQ(rays.size(), 5U);
  ASSERT_EQ(file_["injury"]["rays"].size(), 5U);
  for (const Json& j : file_["injury"]["rays"]) {
    const rs::Ray& ray = rays.at(j["ray"].get<std::size_t>() - 1);
    EXPECT_EQ(ray.number, j["ray"]);
    ASSERT_TRUE(ray.displacement);
    EXPECT_EQ(ray.displaced ? Json(*ray.displaced) : Json(nullptr), j["displaced"]);
    EXPECT_DOUBLE_EQ(ray.displacement->lateral_mm, j["shift_mm"]["lateral"]);
    EXPECT_DOUBLE_EQ(ray.displacement->dorsal_mm, j["shift_mm"]["dorsal"]);
    EXPECT_DOUBLE_EQ(ray.displacement->distal_mm, j["shift_mm"]["distal"]);
    EXPECT_NEAR(ray.displacement->abduction_deg, j["turn_deg"]["abduction"], 1e-9);
    EXPECT_NEAR(ray.displacement->plantarflexion_deg, j["turn_deg"]["plantarflexion"], 1e-9);
    EXPECT_NEAR(ray.displacement->pronation_deg, j["turn_deg"]["pronation"], 1e-9);
  }
  ASSERT_EQ(file_["reduction"]["rays"].size(), 5U);
  for (const Json& j : file_["reduction"]["rays"]) {
    const rs::Ray& ray = rays.at(j["ray"].get<std::size_t>() - 1);
    ASSERT_TRUE(ray.reduction);
    expectMatrix(ray.reduction->injured_to_reduced, j["transform"]);
    EXPECT_DOUBLE_EQ(ray.reduction->uncertainty_mm, j["uncertainty"]["mm"]);
    EXPECT_NEAR(ray.reduction->uncertainty_deg, j["uncertainty"]["deg"], 1e-9);
    EXPECT_NEAR(ray.reduction->roll_deg, j["uncertainty"]["roll_deg"], 1e-9);
    EXPECT_EQ(ray.reduction->by_hand, j["by_hand"]);
    EXPECT_EQ(ray.reduction->doubt, j["doubt"]);
    EXPECT_DOUBLE_EQ(ray.reduction->joint.gap_mm, j["joint"]["gap_mm"]);
    EXPECT_DOUBLE_EQ(ray.reduction->joint.step_mm, j["joint"]["step_mm"]);
    EXPECT_DOUBLE_EQ(ray.reduction->joint.overlap_mm, j["joint"]["overlap_mm"]);
    EXPECT_DOUBLE_EQ(ray.reduction->joint.contact_mm2, j["joint"]["contact_mm2"]);
    EXPECT_EQ(Json(ray.reduction->manoeuvre), j["manoeuvre"]);
  }
}

TEST_F(OpenedPlan, HasItsPatternsAndMeasures) {
  const rs::Patterns p = plan_.patterns();
  const Json& j = file_["injury"]["patterns"];
  EXPECT_EQ(p.quenu_kuss.value, j["quenu_kuss"]);
  EXPECT_EQ(p.hardcastle.value, j["hardcastle"]);
  EXPECT_EQ(p.myerson.value, j["myerson"]);
  EXPECT_EQ(p.myerson.reason, j["reasons"]["myerson"]);
  EXPECT_EQ(Json(p.columns), j["columns"]);
  expectMeasures(plan_.measures(rs::Pose::kInjured), file_["injury"]["measures"]);
  expectMeasures(plan_.measures(rs::Pose::kReduced), file_["reduction"]["measures"]);
}

TEST_F(OpenedPlan, HasItsDevices) {
  const auto devices = plan_.devices();
  ASSERT_EQ(devices.size(), file_["fixation"]["devices"].size());
  ASSERT_FALSE(devices.empty());
  for (std::size_t n = 0; n < devices.size(); ++n) {
    const rs::Device& d = devices[n];
    const Json& j = file_["fixation"]["devices"][n];
    EXPECT_EQ(d.id, j["id"]);
    EXPECT_EQ(d.type, j["type"]);
    EXPECT_EQ(d.kind, j["kind"]) << d.id;
    EXPECT_EQ(d.temporary ? "temporary" : "definitive", j["stage"]) << d.id;
    EXPECT_EQ(d.ray, j["ray"]);
    EXPECT_EQ(Json(d.through), j["through"]);
    expectPoint(d.entry, j["entry"]);
    expectPoint(d.tip, j["tip"]);
    expectPoint(d.direction, j["direction"], 2e-6);
    EXPECT_DOUBLE_EQ(d.diameter_mm, j["diameter_mm"]);
    EXPECT_DOUBLE_EQ(d.length_mm, j["length_mm"]);
    EXPECT_DOUBLE_EQ(d.measured_depth_mm, j["measured_depth_mm"]);
    EXPECT_DOUBLE_EQ(d.countersink_mm, j["countersink_mm"]);
    EXPECT_EQ(Json(d.warnings), j["warnings"]);
    const Json& checks = j["checks"];
    const std::vector<std::pair<const char*, double>> numbers{
        {"inside_fraction", d.checks.inside_fraction},
        {"cortex_margin_mm", d.checks.cortex_margin_mm},
        {"nearest_device_mm", d.checks.nearest_device_mm},
        {"joint_area_lost_percent", d.checks.joint_area_lost_percent},
        {"tip_beyond_cortex_mm", d.checks.tip_beyond_cortex_mm},
        {"crossing_off_centre_mm", d.checks.crossing_off_centre_mm},
        {"entry_to_joint_mm", d.checks.entry_to_joint_mm},
        {"angle_to_shaft_deg", d.checks.angle_to_shaft_deg},
        {"angle_to_surface_deg", d.checks.angle_to_surface_deg},
        {"crossing_angle_deg", d.checks.crossing_angle_deg},
        {"length_in_first_mm", d.checks.length_in_first_mm},
        {"length_in_last_mm", d.checks.length_in_last_mm},
        {"mean_hu", d.checks.mean_hu},
        {"pullout_n", d.checks.pullout_n},
        {"pullout_low_n", d.checks.pullout_low_n},
        {"pullout_high_n", d.checks.pullout_high_n},
        {"surface_error_mm", d.checks.surface_error_mm}};
    for (const auto& [key, value] : numbers) EXPECT_NEAR(value, checks[key].get<double>(), 1e-9) << d.id << ' ' << key;
    EXPECT_EQ(Json(d.checks.other_bones), checks["other_bones"]);
    EXPECT_EQ(Json(d.checks.may_enter), checks["may_enter"]);
  }
}

/// Of a binary STL.
std::uint32_t trianglesOf(const fs::path& file) {
  const std::string bytes = readAll(file);
  std::uint32_t count = 0;
  if (bytes.size() > 84) std::memcpy(&count, bytes.data() + 80, 4);
  return count;
}

TEST_F(OpenedPlan, HasTheMeshesOfItsFiles) {
  const fs::path folder = RAYSET_PLAN_DIR;
  double moved = 0;
  for (const rs::Bone& b : plan_.bones()) {
    const auto injured = plan_.boneMesh(b.id, rs::Pose::kInjured), reduced = plan_.boneMesh(b.id, rs::Pose::kReduced);
    ASSERT_TRUE(injured && reduced) << b.id;
    EXPECT_GT(injured->triangles.size(), 100U);
    EXPECT_NEAR(static_cast<double>(injured->triangles.size()), trianglesOf(folder / "surfaces" / (b.id + ".stl")), 20);
    EXPECT_EQ(injured->triangles, reduced->triangles);
    ASSERT_EQ(injured->vertices.size(), reduced->vertices.size());
    for (std::size_t n = 0; n < injured->vertices.size(); n += 97) {
      const rs::Point p = rs::transformed(b.injured_to_reduced, injured->vertices[n]);
      for (std::size_t i = 0; i < 3; ++i) EXPECT_NEAR(p[i], reduced->vertices[n][i], 1e-6) << b.id;
      moved = std::max(moved, std::abs(p[0] - injured->vertices[n][0]));
    }
  }
  EXPECT_GT(moved, 1) << "rays of this foot are displaced";
  for (const rs::Device& d : plan_.devices()) {
    const auto mesh = plan_.deviceMesh(d.id);
    ASSERT_TRUE(mesh) << d.id;
    double farthest = -1e9;  // along the device: its tip
    for (const rs::Point& v : mesh->vertices) {
      double along = 0;
      for (std::size_t i = 0; i < 3; ++i) along += (v[i] - d.entry[i]) * d.direction[i];
      farthest = std::max(farthest, along);
    }
    EXPECT_NEAR(farthest, d.length_mm, 0.01) << d.id;
  }
  EXPECT_EQ(plan_.boneMesh("M9", rs::Pose::kInjured).error().fault, rs::Fault::kRequest);
  EXPECT_EQ(plan_.deviceMesh("S9").error().where, "S9");
}

TEST_F(OpenedPlan, IsWrittenAgainAsItWas) {
  const fs::path out = folder_ / "again";
  const auto written = plan_.write(out);
  ASSERT_TRUE(written) << written.error().message();
  EXPECT_EQ(readAll(out / "plan.json"), readAll(fs::path(RAYSET_PLAN_DIR) / "plan.json"));
  EXPECT_EQ(trianglesOf(out / "surfaces/M2.stl"), trianglesOf(fs::path(RAYSET_PLAN_DIR) / "surfaces/M2.stl"));
  EXPECT_TRUE(fs::exists(out / "report.pdf"));
  EXPECT_TRUE(fs::exists(out / "labels.nrrd"));
  const auto refused = plan_.write(out);
  ASSERT_FALSE(refused);
  EXPECT_EQ(refused.error().fault, rs::Fault::kRequest);
  fs::remove(out / "report.pdf");
  EXPECT_TRUE(plan_.write(out, true));
  EXPECT_TRUE(fs::exists(out / "report.pdf"));
}

// The library and the program are compiled from the same sources with the same flags: what they plan is the same to the
// last digit.
TEST_F(Library, PlansWhatTheProgramPlans) {
  std::mutex mutex;
  std::set<std::string> stages;
  rs::Progress progress;
  progress.report = [&](std::string_view stage, double fraction) {
    const std::lock_guard lock(mutex);
    stages.emplace(stage);
    EXPECT_GE(fraction, 0);
    EXPECT_LE(fraction, 1 + 1e-9);
  };
  auto plan = rs::Plan::make(phantom(), resources(), progress);
  ASSERT_TRUE(plan) << plan.error().message();
  EXPECT_GE(stages.size(), 3U);
  EXPECT_EQ(plan->rays().size(), 5U);
  ASSERT_TRUE(plan->write(folder_ / "plan"));
  Json made = Json::parse(readAll(folder_ / "plan" / "plan.json")), program = planned();
  EXPECT_GT(made["timings_s"]["report"], 0);
  made.erase("timings_s");
  program.erase("timings_s");
  EXPECT_EQ(made, program) << Json::diff(program, made);
}

TEST_F(Library, StopsWhenAsked) {
  std::atomic<bool> stop = false;
  rs::Progress progress;
  progress.stop = &stop;
  progress.report = [&](std::string_view stage, double) { stop = stop || stage == "bones"; };
  const auto plan = rs::Plan::make(phantom(), resources(), progress);
  ASSERT_FALSE(plan);
  EXPECT_EQ(plan.error().fault, rs::Fault::kCancelled);
  EXPECT_EQ(plan.error().exitStatus(), 130);
}

TEST_F(Library, SaysWhatIsWrong) {
  const auto none = rs::Resources::read(folder_);
  ASSERT_FALSE(none);
  EXPECT_EQ(none.error().fault, rs::Fault::kRequest);
  EXPECT_THAT(none.error().message(), HasSubstr(folder_.string()));
  EXPECT_EQ(none.error().exitStatus(), 2);
  EXPECT_THROW((void)*none, std::bad_variant_access);
  EXPECT_THROW((void)rs::Plan::open(RAYSET_PLAN_DIR, resources()).error(), std::bad_variant_access);

  EXPECT_EQ(rs::Plan::open(folder_, resources()).error().fault, rs::Fault::kRequest);
  EXPECT_EQ(rs::Plan::make({.images = folder_ / "none"}, resources()).error().fault, rs::Fault::kRequest);
  std::ofstream(folder_ / "note.txt") << "no image\n";
  EXPECT_EQ(rs::Plan::make({.images = folder_}, resources()).error().fault, rs::Fault::kImages);
  rs::PlanRequest edited = phantom();
  edited.edits = folder_ / "note.txt";
  EXPECT_THAT(rs::Plan::make(edited, resources()).error().where, HasSubstr("note.txt"));
  EXPECT_EQ(rs::verify({.plan = RAYSET_PLAN_DIR}, resources()).error().fault, rs::Fault::kRequest);

  // What is in the way is not replaced.
  rs::Plan plan = *rs::Plan::open(RAYSET_PLAN_DIR, resources());
  EXPECT_EQ(plan.write(folder_, true).error().fault, rs::Fault::kRequest);
  EXPECT_EQ(readAll(folder_ / "note.txt"), "no image\n");
}

TEST_F(Library, ChecksAPlanOnFilms) {
  const fs::path views = folder_ / "views", out = folder_ / "check";
  const auto filmed = rayset::test::shell("'" RAYSET_PROGRAM "' --data '" RAYSET_DATA_DIR "' views '" RAYSET_PLAN_DIR
                                          "' --view dorsoplantar-20 --view lateral --state metal --pixel 0.4 --quiet "
                                          "--out '" +
                                          views.string() + "'");
  ASSERT_EQ(filmed.status, 0) << filmed.said;
  rs::VerifyRequest request{.plan = RAYSET_PLAN_DIR,
                            .films = {views / "dorsoplantar-20_metal.dcm", views / "lateral_metal.dcm"},
                            .views = {"dorsoplantar-15", "lateral"},
                            .out = out};
  const auto found = rs::verify(request, resources());
  ASSERT_TRUE(found) << found.error().message();
  const Json file = Json::parse(readAll(out / "verification.json"));
  EXPECT_TRUE(fs::exists(out / "verification.pdf"));
  EXPECT_EQ(rs::wordOf(found->verdict), file["verdict"]);
  EXPECT_EQ(found->verdict, rs::Outcome::kAnatomical) << "films of the plan itself";
  EXPECT_EQ(found->sure, file["sure"]);
  ASSERT_EQ(found->rays.size(), 5U);
  ASSERT_EQ(file["rays"].size(), 5U);
  for (std::size_t n = 0; n < 5; ++n) {
    const rs::RayOutcome& r = found->rays[n];
    const Json& j = file["rays"][n];
    EXPECT_EQ(r.ray, j["ray"]);
    EXPECT_EQ(rs::wordOf(r.verdict), j["verdict"]);
    EXPECT_EQ(r.sure, j["sure"]);
    EXPECT_EQ(r.doubt, j.value("doubt", ""));
    expectMatrix(r.planned_to_found, j["planned_to_found"], 6e-6);  // as rounded there
    EXPECT_NEAR(r.shift_mm, j["shift_mm"]["total"], 0.006);
    EXPECT_NEAR(r.off.dorsal_mm, j["shift_mm"]["dorsal"], 0.006);
    EXPECT_NEAR(r.turn_deg, j["turn_deg"]["total"], 0.006);
    EXPECT_NEAR(r.shift_95_mm, j["uncertainty"]["mm"], 0.006);
    EXPECT_NEAR(r.turn_95_deg, j["uncertainty"]["deg"], 0.006);
    EXPECT_EQ(r.weakest_words, j["uncertainty"]["weakest_words"]);
    EXPECT_FALSE(r.in_plane_mm);
  }
  ASSERT_EQ(found->devices.size(), file["devices"].size());
  ASSERT_FALSE(found->devices.empty());
  for (std::size_t n = 0; n < found->devices.size(); ++n) {
    const rs::DeviceOutcome& d = found->devices[n];
    const Json& j = file["devices"][n];
    EXPECT_EQ(d.id, j["id"]);
    ASSERT_EQ(d.seen, j["seen"]);
    if (!d.seen) continue;
    expectPoint(d.entry, j["entry"], 0.006);
    expectPoint(d.tip, j["tip"], 0.006);
    EXPECT_NEAR(d.tip_off_mm, j["from_plan"]["tip_mm"], 0.006);
    EXPECT_NEAR(d.axis_95_deg, j["uncertainty"]["axis_deg"], 0.006);
  }
  EXPECT_FALSE(found->since);
  EXPECT_FALSE(found->partial);

  // The same again, against the first: nothing has moved, and nothing is written where no folder is named.
  request.out.clear();
  request.earlier = out;
  const auto later = rs::verify(request, resources());
  ASSERT_TRUE(later) << later.error().message();
  ASSERT_TRUE(later->since);
  ASSERT_EQ(later->since->rays.size(), 5U);
  for (const rs::RayChange& r : later->since->rays) {
    EXPECT_FALSE(r.moved) << r.words;
    EXPECT_LT(r.shift_mm, 0.01);
  }
  // One film tells its plane only.
  request.films.pop_back();
  request.views.pop_back();
  request.earlier.clear();
  const auto alone = rs::verify(request, resources());
  ASSERT_TRUE(alone) << alone.error().message();
  EXPECT_TRUE(alone->rays.front().in_plane_mm);
  EXPECT_EQ(alone->verdict, rs::Outcome::kUnknown);
}

}  // namespace
