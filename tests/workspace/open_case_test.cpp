// A plan made by the program, opened, edited, tried and undone.
#include "workspace/open_case.h"

#include <gmock/gmock.h>
#include <unistd.h>

#include <chrono>
#include <fstream>
#include <functional>
#include <random>

#include "anatomy/frames.h"
#include "base/message_codec.h"
#include "case/plan_record.h"
#include "english.h"
#include "geometry/json.h"
#include "geometry/ray_caster.h"
#include "language/spoken.h"
#include "resources.h"
#include "workspace/edit_state.h"
#include "workspace/live_joint.h"

namespace rayset {
namespace {

/// As people read it.
nlohmann::ordered_json stateOf(const OpenCase& c) {
  return inWords({{"plan", statePlanCodec().write(c.state().plan)},
                  {"theatre", stateTheatreCodec().write(c.state().theatre)},
                  {"measures_drawn", c.edits().measures},
                  {"cautions", codec::messages().write(c.edits().cautions)}},
                 english());
}

namespace fs = std::filesystem;
using testing::AllOf;
using testing::HasSubstr;
using Json = nlohmann::ordered_json;

class EditedCase : public testing::Test {
 protected:
  static void SetUpTestSuite() {
    folder_ = fs::temp_directory_path() / ("rayset-workspace-" + std::to_string(getpid()));
    fs::create_directories(folder_);
    ASSERT_TRUE(fs::exists(plan())) << "run through ctest: the fixture makes the invented patient and plans it";
  }
  static void TearDownTestSuite() {
    open_.reset();
    fs::remove_all(folder_);
  }
  void SetUp() override {
    if (!open_) {
      auto opened = OpenCase::open(plan(), ct(), test::resources());
      ASSERT_TRUE(opened) << english(opened.error());
      open_ = std::move(*opened);
    }
    edits_.clear();
    ASSERT_TRUE(open_->replay({}));
    planned_ = stateOf(*open_);
  }

  static fs::path ct() { return fs::path(RAYSET_PHANTOM_DIR) / "ct"; }
  static fs::path plan() { return RAYSET_PLAN_DIR; }
  static OpenCase& open() { return *open_; }

  /// Completes, stores and replays, as the server does.
  Json make(const std::string& kind, const Json& payload) {
    const auto whole = open().complete(kind, payload);
    EXPECT_TRUE(whole) << english(whole.error());
    if (!whole) return {};
    // Through text, as it comes back from the disk.
    edits_.push_back({static_cast<std::int64_t>(edits_.size()) + 1, kind, Json::parse(whole->dump())});
    EXPECT_TRUE(open().replay(edits_));
    return *whole;
  }
  static std::string refusal(const std::string& kind, const Json& payload) {
    const auto whole = open().complete(kind, payload);
    EXPECT_FALSE(whole) << kind << " " << payload.dump();
    if (whole) return {};
    EXPECT_EQ(whole.error().fault, Fault::kRequest);
    EXPECT_FALSE(english(whole.error().remedy).empty()) << english(whole.error().what);
    return english(whole.error());
  }
  [[nodiscard]] Json device(const std::string& id) const { return find(stateOf(open())["plan"]["devices"], "id", id); }
  [[nodiscard]] Json ray(int n) const { return find(stateOf(open())["plan"]["rays"], "ray", n); }
  template <class T>
  static Json find(const Json& list, const char* key, const T& value) {
    for (const Json& j : list)
      if (j[key] == value) return j;
    return nullptr;
  }
  static Vec3 vec(const Json& j) { return {j[0].get<double>(), j[1].get<double>(), j[2].get<double>()}; }
  /// A screw of the plan.
  [[nodiscard]] Json screw() const {
    for (const Json& d : planned_["plan"]["devices"])
      if (d["kind"] == "screw" && d["ray"] != 1) return d;
    ADD_FAILURE() << "the plan has no screw";
    return {};
  }
  /// The ray's planned place, shifted in the patient frame.
  [[nodiscard]] Json shifted(int n, const Vec3& by) const {
    Json X = find(planned_["plan"]["rays"], "ray", n)["transform"];
    for (std::size_t a = 0; a < 3; ++a) X[a][3] = X[a][3].get<double>() + by[static_cast<int>(a)];
    return X;
  }

  std::vector<CaseEdit> edits_;
  Json planned_;
  inline static fs::path folder_;
  inline static std::unique_ptr<OpenCase> open_;
};

double millisecondsOf(const std::function<void()>& job) {
  const auto start = std::chrono::steady_clock::now();
  job();
  return std::chrono::duration<double, std::milli>(std::chrono::steady_clock::now() - start).count();
}

TEST_F(EditedCase, ReadsBackWhatWasWritten) {
  std::ifstream in(plan() / "plan.json");
  Json written = Json::parse(in);
  const auto c = readCase(plan(), test::resources().catalogue);
  ASSERT_TRUE(c) << english(c.error());
  Json again = planJson(*c, english());
  for (Json* j : {&again, &written}) j->erase("timings_s");
  EXPECT_EQ(again.dump(1), written.dump(1));
  EXPECT_EQ(c->labels.grid.size, c->grid.size);
  EXPECT_FALSE(c->bodies.bones.empty());
  for (const auto& [bone, b] : c->bones) EXPECT_TRUE(isClosed(b.surface)) << boneId(bone);
  // Reduced surfaces are those that were written.
  for (const Bone b : {Bone::kM2, Bone::kC1}) {
    const auto file = readStl(plan() / "reduced" / (std::string(boneId(b)) + ".stl"));
    ASSERT_TRUE(file);
    EXPECT_LT(compareSurfaces(*file, c->reduction.reduced.at(b), 500).maximum, 1e-3);
  }
}

TEST_F(EditedCase, SaysWhatIsWrongWithAPlan) {
  const fs::path broken = folder_ / "broken";
  fs::create_directories(broken);
  EXPECT_THAT(english(readCase(broken, test::resources().catalogue).error()), HasSubstr("no plan in this folder"));
  const auto with = [&](const std::function<void(Json&)>& change) {
    std::ifstream in(plan() / "plan.json");
    Json j = Json::parse(in);
    change(j);
    std::ofstream(broken / "plan.json") << j.dump();
    const auto c = readCase(broken, test::resources().catalogue);
    EXPECT_FALSE(c);
    return c ? std::string() : english(c.error());
  };
  EXPECT_THAT(with([](Json& j) { j.erase("side"); }), HasSubstr("/side is missing"));
  EXPECT_THAT(with([](Json& j) { j["reduction"]["rays"][0]["transform"][0][0] = 3; }), HasSubstr("no rigid transform"));
  EXPECT_THAT(with([](Json& j) { j["fixation"]["devices"][0]["checks"]["mean_hu"] = "dense"; }),
              HasSubstr("mean_hu is not a number"));
  EXPECT_THAT(with([](Json&) {}), AllOf(HasSubstr("surfaces"), HasSubstr(".stl")));
  std::ofstream(broken / "plan.json") << "{";
  EXPECT_THAT(english(readCase(broken, test::resources().catalogue).error()), HasSubstr("no JSON"));
  EXPECT_FALSE(OpenCase::open(broken, ct(), test::resources()));
}

TEST_F(EditedCase, StateTellsThePlan) {
  const Json& plan_json = planned_["plan"];
  EXPECT_FALSE(boneEditsWait(nullptr, open().edits().bone_edits));
  EXPECT_EQ(plan_json["rays"].size(), 5U);
  ASSERT_FALSE(plan_json["devices"].empty());
  for (const Json& d : plan_json["devices"]) {
    SCOPED_TRACE(d["id"].dump());
    EXPECT_EQ(d["by_hand"], false);
    // What the program has planned passes its own checks; what does not is in FailingChecksAreToldWithNumbers.
    EXPECT_EQ(d["ok"], true);
    EXPECT_TRUE(d["reasons"].empty()) << d["reasons"];
    EXPECT_THAT(d["entry_words"].get<std::string>(), HasSubstr(d["through"][0].get<std::string>()));
    EXPECT_FALSE(d["name"].get<std::string>().empty());
    EXPECT_EQ(d["lengths_mm"].empty(), d["kind"] == "wire");
    EXPECT_TRUE(d["measured_mm"].is_null());
  }
  // Metatarsals ("M1" to "M5", fragments "M2.1"...) go back; the tarsus stays.
  for (const Json& b : plan_json["bodies"]) {
    const std::string id = b["id"];
    const bool moves = id.starts_with('M');
    EXPECT_EQ(b["injured_to_reduced"].is_array(), moves) << id;
    EXPECT_EQ(b["ray"], moves ? Json(id[1] - '0') : Json(nullptr)) << id;
  }
  const Json axis = plan_json["axis"]["2"];
  EXPECT_GT((vec(axis["head"]) - vec(axis["base"])).norm(), 40);
}

// All five rays of the invented patient are displaced and each gets a screw: the second first, for it is the keystone.
TEST_F(EditedCase, TheatreTellsTheStepsInTheOrderOfTheOperation) {
  const Json& steps = planned_["theatre"]["steps"];
  std::vector<std::string> ids;
  for (const Json& step : steps) ids.push_back(step["id"]);
  EXPECT_THAT(ids, testing::ElementsAre("before", "screws", "ray2", "S2", "ray1", "S1", "ray3", "S3", "ray4", "S4",
                                        "ray5", "S5", "finish"));
  for (const Json& step : steps) {
    SCOPED_TRACE(step["id"].dump());
    EXPECT_EQ(step["done"], false);
    EXPECT_FALSE(step["lines"].empty());
    if (step["picture"].is_string()) {
      EXPECT_TRUE(fs::exists(plan() / step["picture"].get<std::string>()));
    }
  }

  const Json hold = find(steps, "id", "ray2");
  EXPECT_EQ(hold["title"], "Second ray: reduce and hold");
  EXPECT_EQ(hold["ray"], 2);
  EXPECT_TRUE(hold["device"].is_null());
  EXPECT_EQ(hold["instrument"], "pointed reduction forceps");
  EXPECT_EQ(hold["picture"], "pictures/ray2_dorsal.png");
  EXPECT_EQ(hold["view"]["name"], "dorsoplantar-20");
  EXPECT_EQ(find(steps, "id", "ray4")["view"]["name"], "oblique-30");

  const Json fix = find(steps, "id", "S2");
  EXPECT_THAT(fix["title"].get<std::string>(), testing::StartsWith("Second ray: screw S2, 3.5 mm cortex screw, "));
  EXPECT_EQ(fix["device"], "S2");
  EXPECT_EQ(fix["ray"], 2);
  EXPECT_THAT(fix["instrument"].get<std::string>(), HasSubstr("screwdriver"));
  EXPECT_EQ(fix["picture"], "pictures/ray2_side.png");
  // What the depth gauge should read: as in the file, and in the words beside it.
  std::ifstream in(plan() / "plan.json");
  const Json written = find(Json::parse(in)["fixation"]["devices"], "id", "S2");
  EXPECT_EQ(fix["expected_mm"], written["measured_depth_mm"]);
  EXPECT_THAT(fix["lines"].dump(), HasSubstr("depth gauge should read " + written["measured_depth_mm"].dump() + " mm"));

  const Json last = find(steps, "id", "finish");
  EXPECT_TRUE(last["ray"].is_null());
  EXPECT_TRUE(last["expected_mm"].is_null());
  EXPECT_EQ(last["picture"], "pictures/film_lateral_metal.png");
  EXPECT_THAT(last["lines"].dump(), HasSubstr("Take out the temporary wires W2, W1, W3, W4 and W5"));
}

TEST_F(EditedCase, NothingIsOpenWhereAllIsTold) {
  EXPECT_TRUE(planned_["plan"]["open_questions"].empty());
  EXPECT_THAT(planned_.dump(), testing::Not(HasSubstr("cannot be told")));
}

TEST_F(EditedCase, ARayThatCannotBeToldIsSaidFirstUntilAHandSettlesIt) {
  const fs::path folder = folder_ / "untold";
  fs::copy(plan(), folder, fs::copy_options::recursive | fs::copy_options::overwrite_existing);
  std::ifstream in(plan() / "plan.json");
  Json j = Json::parse(in);
  in.close();
  const std::string doubt = "it is put back by 6.0 mm, but its joint fits nearly as well as it stands";
  for (Json& r : j["injury"]["rays"])
    if (r["ray"] == 4) r["displaced"] = nullptr;
  for (Json& r : j["reduction"]["rays"])
    if (r["ray"] == 4) r["doubt"] = doubt;
  const std::string what = "It cannot be told whether the fourth ray is displaced: " + doubt + ".";
  const std::string settle =
      "A CT of the other foot or a weight-bearing film would settle it; else place the ray by hand.";
  j["cautions"].push_back(what + " " + settle);
  std::ofstream(folder / "plan.json") << j.dump();

  const auto opened = OpenCase::open(folder, ct(), test::resources());
  ASSERT_TRUE(opened) << english(opened.error());
  OpenCase& c = **opened;
  const Json state = stateOf(c);
  const Json& s = state["plan"];
  ASSERT_EQ(s["open_questions"].size(), 1U);
  const Json& q = s["open_questions"][0];
  EXPECT_EQ(q["ray"], 4);
  EXPECT_EQ(q["what"], what);
  EXPECT_EQ(q["settle"], settle);
  EXPECT_EQ(q["remedies"], Json({"other foot", "film", "place by hand"}));
  const Json r = find(s["rays"], "ray", 4);
  EXPECT_EQ(r["state"], "cannot be told");
  EXPECT_THAT(r["words"].get<std::string>(), HasSubstr("Cannot be told whether it is displaced"));
  EXPECT_EQ(r["attention"][0], "It is put back by 6.0 mm, but its joint fits nearly as well as it stands");
  EXPECT_EQ(find(s["rays"], "ray", 3)["state"], "displaced");
  EXPECT_THAT(s["cautions"].dump(), testing::Not(HasSubstr("cannot be told")));
  EXPECT_EQ(s["patterns"]["columns_words"], "medial, middle and lateral");
  bool step = false;
  for (const Json& x : state["theatre"]["steps"])
    step = step || x["title"] == "Fourth ray: look first (cannot be told whether displaced)";
  EXPECT_TRUE(step);
  // Written as it was read: null, with the reason.
  const Json again = planJson(c.edited(), english());
  EXPECT_TRUE(find(again["injury"]["rays"], "ray", 4)["displaced"].is_null());
  EXPECT_EQ(find(again["reduction"]["rays"], "ray", 4)["doubt"], doubt);

  // The surgeon has looked: it is in place after all.
  const auto whole = c.complete("ray.move", {{"ray", 4}, {"transform", rigidJson(Rigid::Identity())}});
  ASSERT_TRUE(whole) << english(whole.error());
  ASSERT_TRUE(c.replay({{1, "ray.move", *whole}}));
  const Json after = stateOf(c)["plan"];
  EXPECT_TRUE(after["open_questions"].empty());
  EXPECT_EQ(find(after["rays"], "ray", 4)["state"], "in place");
  EXPECT_THAT(planJson(c.edited(), english())["cautions"].dump(), testing::Not(HasSubstr("cannot be told")));
  // Or it is displaced, as planned.
  const auto planned = c.complete("ray.move", {{"ray", 4}, {"transform", r["transform"]}});
  ASSERT_TRUE(planned) << english(planned.error());
  ASSERT_TRUE(c.replay({{1, "ray.move", *planned}}));
  EXPECT_TRUE(stateOf(c)["plan"]["open_questions"].empty());
  EXPECT_EQ(find(stateOf(c)["plan"]["rays"], "ray", 4)["state"], "displaced");
  // Undone, it is open again.
  ASSERT_TRUE(c.replay({}));
  EXPECT_EQ(stateOf(c)["plan"]["open_questions"].size(), 1U);
}

TEST_F(EditedCase, DeviceSetSnapsChecksAndUndoes) {
  const Json s = screw();
  const Vec3 entry = vec(s["entry"]), tip = vec(s["tip"]), way = (tip - entry).normalized();
  const Vec3 across = way.unitOrthogonal();
  Json p{{"id", s["id"]},
         {"entry", pointJson(entry - 2 * way + 0.4 * across, 3)},
         {"tip", pointJson(tip - 1.3 * way + 0.4 * across, 3)}};
  const auto tried = open().tryEdit("device.set", p);
  ASSERT_TRUE(tried) << english(tried.error());
  EXPECT_EQ(stateOf(open()), planned_) << "a try changes nothing";
  const Json whole = make("device.set", p);
  const Json d = device(s["id"]);
  EXPECT_EQ(d["by_hand"], true);
  EXPECT_NEAR((vec(d["tip"]) - vec(d["entry"])).norm(), d["length_mm"].get<double>(), 2e-3);
  EXPECT_GT((vec(d["tip"]) - vec(d["entry"])).normalized().dot(way), 1 - 1e-5);
  const Json sizes = d["lengths_mm"];
  EXPECT_NE(std::find(sizes.begin(), sizes.end(), d["length_mm"]), sizes.end());
  EXPECT_LT(d["length_mm"], s["length_mm"]) << "rounded down";
  EXPECT_GT(d["checks"]["mean_hu"].get<double>(), 50);
  // On the cortex, and what was tried is what came of it.
  const RayCaster bone({&open().edited().reduction.reduced.at(*boneFromId(d["through"][0].get<std::string>()))});
  EXPECT_NEAR(bone.nearest(vec(d["entry"]))->distance, 0, 2e-3);
  const Json t = find(trialCodec().write(*tried)["devices"], "id", s["id"]);
  EXPECT_EQ(t["entry"], d["entry"]);
  EXPECT_EQ(t["checks"]["cortex_margin_mm"], d["checks"]["cortex_margin_mm"]);
  EXPECT_EQ(t["reasons"], d["reasons"]);
  // The same checks as by checkDevice() on the edited case.
  const Case& c = open().edited();
  const ConstructInput input = constructInput(c, *open().ct());
  for (const Device& device : c.fixation.devices)
    if (device.id == s["id"]) {
      Device plain = device;
      plain.checks = *checkDevice(input, device, c.fixation.devices, c.catalogue);
      const Json a = deviceJson(plain)["checks"], b = d["checks"];
      for (const auto& [key, value] : a.items()) {
        SCOPED_TRACE(key);
        if (value.is_number())
          EXPECT_NEAR(value.get<double>(), b[key].get<double>(),
                      0.011 * std::max(1.0, std::abs(value.get<double>()) / 20));
        else
          EXPECT_EQ(value, b[key]);
      }
    }
  EXPECT_THAT(stateOf(open())["plan"]["cautions"].dump(), HasSubstr("Set by hand after planning"));
  // A restart leads to the same state, and undo to the plan's.
  const Json after = stateOf(open());
  auto again = OpenCase::open(plan(), ct(), test::resources());
  ASSERT_TRUE(again);
  ASSERT_TRUE((*again)->replay(edits_));
  EXPECT_EQ(stateOf(**again), after);
  ASSERT_TRUE(open().replay({}));
  EXPECT_EQ(stateOf(open()), planned_);
}

TEST_F(EditedCase, WiresGoToWholeMillimetresAndOtherTypes) {
  Json wire;
  for (const Json& d : planned_["plan"]["devices"])
    if (d["kind"] == "wire") wire = d;
  ASSERT_FALSE(wire.is_null());
  const Vec3 entry = vec(wire["entry"]), tip = vec(wire["tip"]), way = (tip - entry).normalized();
  make("device.set", {{"id", wire["id"]},
                      {"entry", wire["entry"]},
                      {"tip", pointJson(tip - 2.4 * way, 3)},
                      {"type", "wire-2.0-smooth"}});
  const Json d = device(wire["id"]);
  EXPECT_EQ(d["type"], "wire-2.0-smooth");
  EXPECT_EQ(d["diameter_mm"], 2.0);
  EXPECT_EQ(d["length_mm"], std::floor((tip - entry).norm() - 2.4 + 0.01));
  EXPECT_EQ(d["stage"], wire["stage"]);
}

TEST_F(EditedCase, FailingChecksAreToldWithNumbers) {
  const Json s = screw();
  const Vec3 entry = vec(s["entry"]), tip = vec(s["tip"]), way = (tip - entry).normalized();
  const auto tried =
      open().tryEdit("device.set", {{"id", s["id"]}, {"entry", s["entry"]}, {"tip", pointJson(entry + 62 * way, 3)}});
  ASSERT_TRUE(tried) << english(tried.error());
  const Json d = find(inWords(trialCodec().write(*tried), english())["devices"], "id", s["id"]);
  EXPECT_EQ(d["length_mm"], 60);
  EXPECT_EQ(d["ok"], false);
  const std::string told = d["reasons"].dump();
  EXPECT_TRUE(told.find("out of the far cortex of") != std::string::npos ||
              told.find("which it should not") != std::string::npos)
      << told;
  EXPECT_THAT(told, testing::ContainsRegex("[0-9]"));
  // Laid on its neighbour it says whose way it is in.
  Json other;
  for (const Json& o : planned_["plan"]["devices"])
    if (o["ray"] == s["ray"] && o["id"] != s["id"]) other = o;
  ASSERT_FALSE(other.is_null());
  const auto near = open().tryEdit(
      "device.set",
      {{"id", s["id"]},
       {"entry", other["entry"]},
       {"tip", pointJson(vec(other["entry"]) + 30 * (vec(other["tip"]) - vec(other["entry"])).normalized(), 3)}});
  ASSERT_TRUE(near) << english(near.error());
  const std::string id = other["id"];
  const Json devices = inWords(trialCodec().write(*near), english())["devices"];
  EXPECT_THAT(find(devices, "id", s["id"])["reasons"].dump(), HasSubstr("into " + id + ": 1.5 mm"));
  EXPECT_THAT(find(devices, "id", id)["reasons"].dump(), HasSubstr(s["id"].get<std::string>()));
}

TEST_F(EditedCase, WhatCannotBeCheckedAnyMoreIsToldSo) {
  const Json s = screw();
  const int n = s["ray"];
  const Json frame = planned_["plan"]["frame"];
  // So far distal that the bones no longer face each other.
  make("ray.move", {{"ray", n}, {"transform", shifted(n, 45 * vec(frame["distal"]))}});
  const Json d = device(s["id"]);
  EXPECT_TRUE(d["checks"].is_null()) << d["checks"];
  EXPECT_EQ(d["ok"], false);
  ASSERT_EQ(d["reasons"].size(), 1U);
  EXPECT_THAT(d["reasons"][0].get<std::string>(),
              AllOf(HasSubstr("Not checked"), HasSubstr("no longer face each other")));
  EXPECT_THAT(d["warnings"].dump(), HasSubstr("no longer face each other"));
  EXPECT_THAT(ray(n)["attention"].dump(), HasSubstr(s["id"].get<std::string>() + ": Not checked"));
  make("ray.reset", {{"ray", n}});
  EXPECT_EQ(device(s["id"]), s);
}

TEST_F(EditedCase, DevicesAreRemovedAndSwapped) {
  const Json s = screw();
  make("device.remove", {{"id", s["id"]}});
  EXPECT_TRUE(device(s["id"]).is_null());
  const std::string title = s["id"];
  for (const Json& step : stateOf(open())["theatre"]["steps"]) EXPECT_NE(step["id"], title);
  EXPECT_THAT(ray(s["ray"].get<int>())["attention"].dump(), HasSubstr("No definitive device"));
  EXPECT_THAT(refusal("device.remove", {{"id", s["id"]}}), HasSubstr("there is no device"));
  ASSERT_TRUE(open().replay({}));
  edits_.clear();

  const Json swapped = make("device.swap", {{"ray", 4}, {"to", "wires"}});
  const Json now = stateOf(open())["plan"]["devices"];
  std::size_t others = 0;
  for (const Json& d : now) {
    if (d["ray"] == 4) {
      EXPECT_EQ(d["type"], "wire-1.6-smooth");
      EXPECT_EQ(d["stage"], "definitive");
      EXPECT_EQ(d["by_hand"], true);
      EXPECT_GE(d["checks"]["nearest_device_mm"].get<double>(), 0.3);
      continue;
    }
    ++others;
    const Json before = find(planned_["plan"]["devices"], "id", d["id"]);
    EXPECT_EQ(d["entry"], before["entry"]);
    EXPECT_EQ(d["tip"], before["tip"]);
  }
  std::size_t before = 0;
  for (const Json& d : planned_["plan"]["devices"]) before += d["ray"] != 4 ? 1 : 0;
  EXPECT_EQ(others, before);
  EXPECT_THAT(refusal("device.swap", {{"ray", 2}, {"to", "wires"}}), HasSubstr("second ray"));
  EXPECT_THAT(refusal("device.swap", {{"ray", 4}, {"to", "plates"}}), HasSubstr("neither screws nor wires"));
  edits_.pop_back();
  ASSERT_TRUE(open().replay(edits_));
  EXPECT_EQ(stateOf(open()), planned_);
}

TEST_F(EditedCase, RayMoveTakesAlongWhatBelongsToIt) {
  constexpr int kRay = 2;
  const Vec3 by(0.8, -0.4, 0.9);
  const Json p{{"ray", kRay}, {"transform", shifted(kRay, by)}};
  const auto tried = open().tryEdit("ray.move", p);
  ASSERT_TRUE(tried) << english(tried.error());
  EXPECT_EQ(stateOf(open()), planned_) << "a try changes nothing";
  make("ray.move", p);
  const Json r = ray(kRay), before = find(planned_["plan"]["rays"], "ray", kRay);
  EXPECT_EQ(r["by_hand"], true);
  for (std::size_t row = 0; row < 4; ++row)
    for (std::size_t column = 0; column < 4; ++column)
      EXPECT_NEAR(r["transform"][row][column].get<double>(), p["transform"][row][column].get<double>(), 1e-5);
  EXPECT_EQ(r["planned_transform"], before["transform"]);
  EXPECT_EQ(r["uncertainty"]["mm"], 0.0);
  EXPECT_THAT(r["attention"].dump(), HasSubstr("Placed by hand"));
  // The injury is told against the new place: it differs by the shift, in the foot frame.
  const Frame& f = open().edited().reduction.frame;
  EXPECT_NEAR(r["shift_mm"]["lateral"].get<double>(), before["shift_mm"]["lateral"].get<double>() + by.dot(f.medial),
              0.05);
  EXPECT_NEAR(r["shift_mm"]["dorsal"].get<double>(), before["shift_mm"]["dorsal"].get<double>() - by.dot(f.dorsal),
              0.05);
  EXPECT_NE(r["manoeuvre"], before["manoeuvre"]);
  // The joint, against the plain function on the moved surfaces.
  const Case& c = open().edited();
  const JointFit plain = jointFit(c.reduction.reduced.at(metatarsal(Ray(kRay))),
                                  c.reduction.reduced.at(tarsalPartner(Ray(kRay))), f.dorsal);
  if (c.fragments.empty()) {
    EXPECT_NEAR(r["joint"]["gap_mm"].get<double>(), plain.gap_mm, 0.05);
    EXPECT_NEAR(r["joint"]["step_mm"].get<double>(), plain.step_mm, 0.05);
    EXPECT_NEAR(r["joint"]["overlap_mm"].get<double>(), plain.overlap_mm, 0.05);
  }
  EXPECT_EQ(find(trialCodec().write(*tried)["rays"], "ray", kRay)["joint"], r["joint"]);
  EXPECT_EQ(find(trialCodec().write(*tried)["rays"], "ray", kRay)["shift_mm"], r["shift_mm"]);
  for (const Json& d : stateOf(open())["plan"]["devices"]) {
    SCOPED_TRACE(d["id"].dump());
    const Json was = find(planned_["plan"]["devices"], "id", d["id"]);
    const Vec3 moved = vec(d["entry"]) - vec(was["entry"]);
    EXPECT_NEAR((moved - (d["ray"] == kRay ? by : Vec3(Vec3::Zero()))).norm(), 0, 2e-3);
    if (d["ray"] == kRay) {
      EXPECT_NE(d["checks"], was["checks"]) << "checked again";
      EXPECT_EQ(d["by_hand"], false) << "it went along, nobody set it";
      EXPECT_NEAR((vec(find(trialCodec().write(*tried)["devices"], "id", d["id"])["entry"]) - vec(d["entry"])).norm(),
                  0, 2e-3);
    }
  }
  EXPECT_NE(stateOf(open())["plan"]["measures_reduced"], planned_["plan"]["measures_reduced"]);
  EXPECT_EQ(stateOf(open())["plan"]["measures"], planned_["plan"]["measures"]);
  // A device set afterwards stays with the moved ray when that goes back.
  make("ray.reset", {{"ray", kRay}});
  Json back = stateOf(open());
  EXPECT_EQ(back, planned_);
  EXPECT_THAT(refusal("ray.reset", {{"ray", kRay}}), HasSubstr("stands where the plan put it"));
}

TEST_F(EditedCase, ADeviceSetByHandGoesAlongToo) {
  const Json s = screw();
  const int n = s["ray"];
  const Vec3 entry = vec(s["entry"]), tip = vec(s["tip"]), way = (tip - entry).normalized();
  make("device.set", {{"id", s["id"]}, {"entry", s["entry"]}, {"tip", pointJson(tip - 2.5 * way, 3)}});
  const Json set = device(s["id"]);
  const Vec3 by(0.5, 0.2, -0.3);
  make("ray.move", {{"ray", n}, {"transform", shifted(n, by)}});
  EXPECT_NEAR((vec(device(s["id"])["entry"]) - vec(set["entry"]) - by).norm(), 0, 2e-3);
  EXPECT_EQ(device(s["id"])["by_hand"], true);
  make("ray.reset", {{"ray", n}});
  EXPECT_EQ(device(s["id"]), set);
}

TEST_F(EditedCase, LiveJointAgreesWithJointFit) {
  const Case& c = open().edited();
  std::mt19937 random(3);
  std::uniform_real_distribution<double> shift(-1, 1);
  for (const Ray ray : {Ray(1), Ray(2), Ray(5)}) {
    if (!c.reduction.rays.contains(ray)) continue;
    const RayReduction& r = c.reduction.rays.at(ray);
    const Surface &m = c.injured.at(metatarsal(ray)), &t = c.reduction.reduced.at(tarsalPartner(ray));
    const LiveJoint live(m, t, c.reduction.frame.dorsal);
    for (const double size : {0.5, 2.5, 40.0}) {  // near, overlapping or gaping, and out of reach
      const Vec3 turn = 0.06 * std::min(size, 4.0) * Vec3(shift(random), shift(random), shift(random));
      const Rigid X = turnAbout(r.injured_to_reduced * centroid(m), turn,
                                size * Vec3(shift(random), shift(random), shift(random))) *
                      r.injured_to_reduced;
      const JointFit a = live.at(X), b = jointFit(transformed(m, X), t, c.reduction.frame.dorsal);
      SCOPED_TRACE(std::to_string(ray.number()) + " by " + std::to_string(size));
      EXPECT_NEAR(a.gap_mm, b.gap_mm, 0.05);
      EXPECT_NEAR(a.step_mm, b.step_mm, 0.05);
      EXPECT_NEAR(a.overlap_mm, b.overlap_mm, 0.05);
      EXPECT_NEAR(a.contact_mm2, b.contact_mm2, 2 + 0.02 * b.contact_mm2);
    }
  }
}

TEST_F(EditedCase, BoneEditsWaitForTheNextPlan) {
  const Vec3 at = centroid(open().edited().injured.at(Bone::kC2));
  const Json seed{{"bone", "C2"}, {"point", pointJson(at, 2)}};
  make("bones.edit", {{"edits", {{"seeds", Json::array({seed})}}}});
  EXPECT_TRUE(boneEditsWait(nullptr, open().edits().bone_edits));
  make("bones.edit", {{"edits", {{"seeds", Json::array({seed})}, {"remove", Json::array({"M4"})}}}});
  EXPECT_EQ(open().edits().bone_edits["seeds"].size(), 2U);
  EXPECT_EQ(open().edits().bone_edits["remove"].size(), 1U);
  EXPECT_EQ(stateOf(open())["plan"]["devices"], planned_["plan"]["devices"]);
  EXPECT_THAT(refusal("bones.edit", {{"edits", {{"seeds", Json::array({{{"bone", "M9"}, {"point", {0, 0, 0}}}})}}}}),
              HasSubstr("unknown bone \"M9\""));
  EXPECT_THAT(refusal("bones.edit", {{"edits", {{"seeds", Json::array({{{"bone", "M2"}, {"point", {4000, 0, 0}}}})}}}}),
              HasSubstr("seeds[2].point"));
  EXPECT_THAT(refusal("bones.edit", {{"edits", {{"poses", Json::array()}}}}), HasSubstr("ray.move"));
  EXPECT_THAT(refusal("bones.edit", Json::object()), HasSubstr("edits"));
  ASSERT_TRUE(open().replay({}));
  EXPECT_EQ(stateOf(open()), planned_);
}

TEST_F(EditedCase, MeasuresDepthsStepsAndDates) {
  make("measure.add", {{"id", "a1"},
                       {"view", "dorsal"},
                       {"kind", "distance"},
                       {"points", {{0, 0, 0}, {3, 4, 0}}},
                       {"state", "reduced"}});
  make("measure.add", {{"id", "a2"},
                       {"view", "dorsal"},
                       {"kind", "angle"},
                       {"points", {{1, 0, 0}, {0, 0, 0}, {0, 2, 0}}},
                       {"state", "injured"}});
  Json drawn = stateOf(open())["measures_drawn"];
  ASSERT_EQ(drawn.size(), 2U);
  EXPECT_EQ(drawn[0]["value"], 5.0);
  EXPECT_EQ(drawn[0]["unit"], "mm");
  EXPECT_EQ(drawn[1]["value"], 90.0);
  EXPECT_EQ(drawn[1]["unit"], "deg");
  EXPECT_THAT(refusal("measure.add", drawn[0]), HasSubstr("unknown field"));
  make("measure.remove", {{"id", "a1"}});
  EXPECT_EQ(stateOf(open())["measures_drawn"].size(), 1U);
  EXPECT_THAT(refusal("measure.remove", {{"id", "a1"}}), HasSubstr("no measure a1"));

  const Json s = screw();
  make("depth.measured", {{"device", s["id"]}, {"mm", 21.5}});
  EXPECT_EQ(device(s["id"])["measured_mm"], 21.5);
  EXPECT_THAT(ray(s["ray"].get<int>())["attention"].dump(), HasSubstr("the gauge read 21.5 mm"));
  make("depth.measured", {{"device", s["id"]}, {"mm", nullptr}});
  EXPECT_TRUE(device(s["id"])["measured_mm"].is_null());

  make("theatre.step", {{"step", "before"}, {"done", true}});
  EXPECT_EQ(find(stateOf(open())["theatre"]["steps"], "id", "before")["done"], true);
  make("theatre.step", {{"step", "before"}, {"done", false}});
  EXPECT_EQ(find(stateOf(open())["theatre"]["steps"], "id", "before")["done"], false);
  EXPECT_THAT(refusal("theatre.step", {{"step", "dance"}, {"done", true}}), HasSubstr("no such step"));

  make("surgery.date", {{"date", "2024-02-29"}});
  make("followup.done", {{"id", "week-2"}, {"date", "2024-03-14"}});
  EXPECT_EQ(open().edits().surgery_date, "2024-02-29");
  EXPECT_EQ(open().edits().visits.at("week-2"), "2024-03-14");
  make("case.name", {{"text", "Fuß, links"}});
  make("case.notes", {{"text", ""}});
  make("case.hide", {{"hidden", true}});
  EXPECT_EQ(open().edits().name, "Fuß, links");
  EXPECT_TRUE(open().edits().hidden);
  ASSERT_TRUE(open().replay({}));
  EXPECT_EQ(stateOf(open()), planned_);
}

TEST_F(EditedCase, WrongPayloadsAreRefusedInWords) {
  const Json s = screw();
  const std::string id = s["id"];
  const auto set = [&](const Json& entry, const Json& tip) { return Json{{"id", id}, {"entry", entry}, {"tip", tip}}; };
  EXPECT_THAT(refusal("device.paint", Json::object()), HasSubstr("unknown kind of edit"));
  EXPECT_THAT(refusal("device.set", {{"id", "Z9"}, {"entry", s["entry"]}, {"tip", s["tip"]}}),
              AllOf(HasSubstr("no device Z9"), HasSubstr(id)));
  EXPECT_THAT(refusal("device.set", set({1, 2}, s["tip"])), HasSubstr("\"entry\" is not a point"));
  EXPECT_THAT(refusal("device.set", set(s["entry"], {1, 2, "x"})), HasSubstr("\"tip\""));
  EXPECT_THAT(refusal("device.set", set({1e9, 0, 0}, s["tip"])), HasSubstr("within 5000 mm"));
  EXPECT_THAT(refusal("device.set", set(s["entry"], s["entry"])), HasSubstr("2 mm"));
  EXPECT_THAT(refusal("device.set", set({900, 900, 900}, {900, 900, 950})), HasSubstr("does not enter"));
  EXPECT_THAT(refusal("device.set", Json::array()), HasSubstr("no fields"));
  EXPECT_THAT(
      refusal("device.set", {{"id", id}, {"entry", s["entry"]}, {"tip", s["tip"]}, {"type", "wire-1.6-smooth"}}),
      HasSubstr("is a screw"));
  EXPECT_THAT(refusal("device.set", {{"id", id}, {"entry", s["entry"]}, {"tip", s["tip"]}, {"colour", 1}}),
              HasSubstr("unknown field \"colour\""));
  EXPECT_THAT(refusal("ray.move", {{"ray", 6}, {"transform", shifted(2, Vec3::Zero())}}), HasSubstr("number of a ray"));
  EXPECT_THAT(refusal("ray.move", {{"ray", 2.5}, {"transform", shifted(2, Vec3::Zero())}}),
              HasSubstr("number of a ray"));
  EXPECT_THAT(refusal("ray.move", {{"ray", 2}, {"transform", {1, 2, 3}}}), HasSubstr("4 x 4"));
  EXPECT_THAT(refusal("ray.move", {{"ray", 2}}), HasSubstr("missing"));
  Json scaled = shifted(2, Vec3::Zero());
  for (std::size_t r = 0; r < 3; ++r)
    for (std::size_t c = 0; c < 3; ++c) scaled[r][c] = scaled[r][c].get<double>() * 1.1;
  EXPECT_THAT(refusal("ray.move", {{"ray", 2}, {"transform", scaled}}), HasSubstr("no rigid transform"));
  EXPECT_THAT(refusal("ray.move", {{"ray", 2}, {"transform", shifted(2, Vec3(200, 0, 0))}}), HasSubstr("200 mm"));
  EXPECT_THAT(refusal("depth.measured", {{"device", id}, {"mm", -3}}), HasSubstr("−3"));
  EXPECT_THAT(refusal("depth.measured", {{"device", "Z9"}, {"mm", 3}}), HasSubstr("Z9"));
  EXPECT_THAT(refusal("surgery.date", {{"date", "2023-02-29"}}), HasSubstr("not a date"));
  EXPECT_THAT(refusal("followup.done", {{"id", "a b"}, {"date", "2023-02-28"}}), HasSubstr("not an id"));
  EXPECT_THAT(refusal("case.name", {{"text", ""}}), HasSubstr("0 characters"));
  EXPECT_THAT(refusal("case.name", {{"text", std::string(201, 'x')}}), HasSubstr("201 characters"));
  EXPECT_THAT(refusal("case.notes", {{"text", 3}}), HasSubstr("not a text"));
  EXPECT_THAT(refusal("case.hide", {{"hidden", "yes"}}), HasSubstr("neither true nor false"));
  EXPECT_THAT(refusal("measure.add",
                      {{"id", "m"}, {"view", ""}, {"kind", "distance"}, {"points", {{0, 0, 0}}}, {"state", "reduced"}}),
              HasSubstr("2 points"));
  EXPECT_THAT(refusal("measure.add",
                      {{"id", "m"}, {"view", ""}, {"kind", "area"}, {"points", {{0, 0, 0}}}, {"state", "reduced"}}),
              HasSubstr("no kind of measure"));
  const auto tried = open().tryEdit("case.name", {{"text", "x"}});
  ASSERT_FALSE(tried);
  EXPECT_THAT(english(tried.error()), HasSubstr("cannot be tried"));
  EXPECT_EQ(stateOf(open()), planned_);
}

TEST_F(EditedCase, EditsThatNoLongerFitAreLeftOutAndTold) {
  const std::vector<CaseEdit> stray{{7, "device.remove", {{"id", "Z9"}}},
                                    {8, "device.set", {{"id", "Z9"}}},
                                    {9, "ray.move", {{"ray", 2}, {"transform", {1}}}},
                                    {10, "from.the.future", Json::object()},
                                    {11, "depth.measured", Json::object()}};
  ASSERT_TRUE(open().replay(stray));
  const Json s = stateOf(open());
  EXPECT_EQ(s["cautions"].size(), 5U) << s["cautions"].dump(1);
  for (const Json& text : s["cautions"]) EXPECT_THAT(text.get<std::string>(), HasSubstr("no longer fits this plan"));
  EXPECT_EQ(s["plan"]["devices"], planned_["plan"]["devices"]);
}

TEST_F(EditedCase, WithoutImagesHoldIsNotKnownAndSaid) {
  auto blind = OpenCase::open(plan(), folder_ / "nothing", test::resources());
  ASSERT_TRUE(blind);
  EXPECT_FALSE((*blind)->ct());
  const Json s = screw();
  const auto whole = (*blind)->complete("device.set", {{"id", s["id"]}, {"entry", s["entry"]}, {"tip", s["tip"]}});
  ASSERT_TRUE(whole);
  ASSERT_TRUE((*blind)->replay({{1, "device.set", *whole}}));
  EXPECT_THAT(stateOf(**blind)["cautions"].dump(), HasSubstr("Grey values along"));
}

TEST_F(EditedCase, IsQuick) {
  const Json s = screw();
  const int n = s["ray"];
  open().prepare(Ray(n));
  const Json set{{"id", s["id"]}, {"entry", s["entry"]}, {"tip", s["tip"]}};
  const Json move{{"ray", n}, {"transform", shifted(n, Vec3(0.3, 0, 0))}};
  (void)open().tryEdit("device.set", set);
  (void)open().tryEdit("ray.move", move);
  double best_set = 1e9, best_move = 1e9, best_undo = 1e9;
  for (int k = 0; k < 5; ++k) {
    best_set = std::min(best_set, millisecondsOf([&] { EXPECT_TRUE(open().tryEdit("device.set", set)); }));
    best_move = std::min(best_move, millisecondsOf([&] { EXPECT_TRUE(open().tryEdit("ray.move", move)); }));
    best_undo = std::min(best_undo, millisecondsOf([&] { EXPECT_TRUE(open().replay({})); }));
  }
#ifdef NDEBUG
  EXPECT_LT(best_set, 50);
  EXPECT_LT(best_move, 50);
  EXPECT_LT(best_undo, 200);
#endif
}

}  // namespace
}  // namespace rayset
