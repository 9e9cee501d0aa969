// Verdicts after the operation from given poses: the limits (data/limits.json), the intervals, what is warned of.
#include "outcome/verification.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <unistd.h>

#include <fstream>

#include "anatomy/frames.h"
#include "anatomy/procedural_foot.h"
#include "base/units.h"
#include "bones/segment.h"
#include "data_files.h"
#include "english.h"
#include "fixation/construct.h"
#include "outcome/ct_check.h"

namespace rayset {
namespace {

using testing::AllOf;
using testing::Contains;
using testing::HasSubstr;

const PlanRecord& plan() {
  static const PlanRecord made = [] {
    PlanRecord p;
    const Foot foot = proceduralFoot({}, Side::kRight, 1.0);
    p.side = foot.side;
    p.reduced = foot.bones;
    p.frame = footFrame(foot.bones, foot.side);
    p.patient_id = "A";
    ConstructInput input;
    input.reduced = &p.reduced;
    input.side = p.side;
    input.frame = p.frame;
    ConstructSettings settings;
    settings.rays = {Ray(2)};
    p.devices = planConstruct(input, *readCatalogue(test::dataFile("implants.json")), settings)->devices;
    return p;
  }();
  return made;
}

Catalogue catalogue() { return *readCatalogue(test::dataFile("implants.json")); }
Limits limits() { return *Limits::read(test::dataFile("limits.json")); }

void judged(Verification& v) {
  const Status done = drawConclusions(plan(), catalogue(), limits(), v);
  ASSERT_TRUE(done) << english(done.error());
}

/// Each ray moved by so many mm to the lateral side.
Verification moved(const std::array<double, 5>& lateral_mm, double within_mm) {
  Verification v;
  for (const Ray ray : kRays) {
    RayOutcome& r = v.rays[ray];
    r.ray = ray;
    r.planned_to_found.translation() = lateral_mm[ray.index()] * plan().frame.lateral();
    r.shift_95_mm = within_mm;
  }
  return v;
}

TEST(Verification, BandsAreAsPublished) {
  Verification v = moved({0, 0.9, 1.1, 1.9, 2.1}, 0.05);
  judged(v);
  const std::array<Outcome, 5> wanted{Outcome::kAnatomical, Outcome::kAnatomical, Outcome::kAcceptable,
                                      Outcome::kAcceptable, Outcome::kNotReduced};
  for (const Ray ray : kRays) {
    EXPECT_EQ(v.rays.at(ray).verdict, wanted[ray.index()]) << ray.number();
    EXPECT_TRUE(v.rays.at(ray).sure) << ray.number();
  }
  EXPECT_NEAR(v.rays.at(Ray(5)).off.lateral_mm, 2.1, 1e-9);
  EXPECT_NEAR(v.rays.at(Ray(5)).off.dorsal_mm, 0, 1e-9);
  EXPECT_EQ(v.verdict, Outcome::kNotReduced) << "the worst ray's";
  EXPECT_TRUE(v.sure);
  EXPECT_FALSE(v.measures.empty());
}

TEST(Verification, AnIntervalOverALimitIsNotSure) {
  Verification v = moved({0, 0.9, 0, 0, 0}, 0.2);
  judged(v);
  EXPECT_EQ(v.verdict, Outcome::kAnatomical);
  EXPECT_FALSE(v.rays.at(Ray(2)).sure);
  EXPECT_NE(english(v.rays.at(Ray(2)).doubt).find("interval"), std::string::npos) << v.rays.at(Ray(2)).doubt;
  EXPECT_TRUE(v.rays.at(Ray(3)).sure);
  EXPECT_FALSE(v.sure);
}

TEST(Verification, WhatMayBeReadOtherwiseIsNotSureAndSaysWhy) {
  Verification v = moved({0, 0, 3, 0, 0}, 0.2);
  v.rays.at(Ray(3)).doubt = "it would fit about as well 2.0 mm away";
  judged(v);
  EXPECT_EQ(v.verdict, Outcome::kNotReduced);
  EXPECT_FALSE(v.rays.at(Ray(3)).sure);
  EXPECT_FALSE(v.sure);
  EXPECT_EQ(verificationJson(plan(), v, english())["rays"][2]["doubt"], "it would fit about as well 2.0 mm away");
  EXPECT_FALSE(verificationJson(plan(), v, english())["rays"][1].contains("doubt"));
}

TEST(Verification, OneFilmFindsARayOffButNoneInPlace) {
  Verification v = moved({0, 0, 3, 3, 0}, 6);
  v.films.resize(1);
  const std::array<double, 5> within{0.5, 0.5, 0.5, 1.5, 0.5};
  for (auto& [ray, r] : v.rays) {
    r.in_plane_mm = ray == 3 || ray == 4 ? 3 : 0.2;
    r.in_plane_95_mm = within[ray.index()];
  }
  judged(v);
  EXPECT_EQ(v.rays.at(Ray(3)).verdict, Outcome::kNotReduced);
  EXPECT_TRUE(v.rays.at(Ray(3)).sure);
  for (const Ray ray : {Ray(1), Ray(2), Ray(4), Ray(5)}) {
    EXPECT_EQ(v.rays.at(ray).verdict, Outcome::kUnknown) << ray.number();
    EXPECT_THAT(english(v.rays.at(ray).doubt), HasSubstr("along its beam")) << ray.number();
  }
  EXPECT_EQ(v.verdict, Outcome::kNotReduced);
  EXPECT_FALSE(v.sure);
  for (auto& [ray, r] : v.rays) r.in_plane_mm = 0.1, r.doubt = {};
  judged(v);
  EXPECT_EQ(v.verdict, Outcome::kUnknown);
  EXPECT_EQ(verificationJson(plan(), v, english())["rays"][0]["in_plane"]["mm"], 0.1);
}

TEST(Verification, ASaggingArchIsNotReducedWhereverTheBaseIs) {
  Verification v = moved({0, 0, 0, 0, 0}, 0.1);
  const Vec3 base = basePoint(plan().reduced.at(Bone::kM1), plan().frame.distal);
  v.rays.at(Ray(1)).planned_to_found = turnAbout(base, toRadians(25) * plan().frame.medial, Vec3::Zero());
  judged(v);
  EXPECT_LT(v.rays.at(Ray(1)).shift_mm, 1e-6);
  EXPECT_EQ(v.rays.at(Ray(1)).verdict, Outcome::kNotReduced) << "talo-first-metatarsal angle above 15 degrees";
}

TEST(Verification, WhatWasNotFoundMakesItPartial) {
  Verification v = moved({0, 0, 0, 0, 0}, 0.1);
  v.rays.erase(Ray(4));
  judged(v);
  EXPECT_TRUE(v.partial);
  EXPECT_EQ(v.verdict, Outcome::kAnatomical) << "of those found";
  Verification nothing;
  judged(nothing);
  EXPECT_EQ(nothing.verdict, Outcome::kUnknown);
  EXPECT_FALSE(nothing.sure);
}

TEST(Verification, DevicesAreHeldAgainstThePlanAndTheBones) {
  Verification v = moved({0, 0, 0, 0, 0}, 0.1);
  for (const Device& d : plan().devices) {
    if (d.stage != DeviceStage::kDefinitive) continue;
    DeviceOutcome there;
    there.id = d.id;
    there.seen = true;
    there.entry = d.entry;
    there.tip = d.tip;
    v.devices.push_back(there);
  }
  ASSERT_EQ(v.devices.size(), 1U);
  Verification off = v;
  judged(v);
  EXPECT_NEAR(v.devices[0].entry_off_mm, 0, 1e-9);
  EXPECT_TRUE(v.devices[0].warnings.empty()) << v.devices[0].warnings.front();
  EXPECT_FALSE(v.partial);

  const Vec3 aside = 12 * plan().frame.lateral();
  off.devices[0].entry += aside;
  off.devices[0].tip += aside;
  off.devices[0].longer_mm = 4;
  judged(off);
  EXPECT_NEAR(off.devices[0].tip_off_mm, 12, 1e-9);
  EXPECT_THAT(english(off.devices[0].warnings), Contains(HasSubstr("lies otherwise than planned")));
  EXPECT_THAT(english(off.devices[0].warnings), Contains(HasSubstr("4 mm longer")));
  EXPECT_THAT(english(off.devices[0].warnings), Contains(HasSubstr("it was not planned for"))) << "the third ray";

  Verification broken = v;
  broken.devices[0].longer_mm = 3;
  broken.devices[0].gap_mm = 3;
  broken.devices[0].gap_at_mm = 21;
  judged(broken);
  EXPECT_THAT(english(broken.devices[0].warnings),
              Contains(HasSubstr("looks broken: 3 mm without metal, 21 mm from its entry")));
  EXPECT_THAT(english(broken.devices[0].warnings), Not(Contains(HasSubstr("longer")))) << "its halves stand apart";
  EXPECT_EQ(verificationJson(plan(), broken, english()).at("devices").at(0).at("gap").at("from_entry_mm"), 21);
}

TEST(Verification, DirectionsInWords) {
  const Frame& f = plan().frame;
  EXPECT_EQ(directionWords(f.dorsal, f), "from dorsal to plantar");
  EXPECT_EQ(directionWords(-f.medial, f), "from medial to lateral");
  EXPECT_EQ(directionWords((f.distal + 0.9 * f.dorsal).normalized(), f), "along the ray and from dorsal to plantar");
}

TEST(Verification, JsonTellsFilmsFromCt) {
  Verification v = moved({0, 0, 0, 0, 0}, 0.1);
  v.rays.at(Ray(1)).similarity = 0.81249;
  v.rays.at(Ray(1)).rms_mm = 0.23451;
  judged(v);
  const auto films = verificationJson(plan(), v, english());
  EXPECT_EQ(films["schema"], "rayset.verification/1");
  EXPECT_EQ(films["rays"][0].at("similarity"), 0.812);
  EXPECT_FALSE(films["rays"][0].contains("rms_mm"));
  EXPECT_FALSE(films.contains("ct"));
  v.ct = "CT of 2026-01-19";
  const auto ct = verificationJson(plan(), v, english());
  EXPECT_EQ(ct["ct"], "CT of 2026-01-19");
  EXPECT_EQ(ct["rays"][0].at("rms_mm"), 0.235);
  EXPECT_FALSE(ct["rays"][0].contains("similarity"));
}

TEST(Verification, AMissingLimitIsToldWithTheFileAndNothingIsJudged) {
  const std::filesystem::path file =
      std::filesystem::temp_directory_path() / ("rayset-limits-" + std::to_string(getpid()) + ".json");
  auto document = nlohmann::json::parse(std::ifstream(test::dataFile("limits.json")));
  std::erase_if(document["limits"].get_ref<nlohmann::json::array_t&>(),
                [](const nlohmann::json& limit) { return limit["key"] == "acceptable_displacement"; });
  std::ofstream(file) << document;
  const auto limits = Limits::read(file);
  ASSERT_TRUE(limits) << english(limits.error());
  Verification v = moved({0, 0, 0, 0, 0}, 0.05);
  const Status done = drawConclusions(plan(), catalogue(), *limits, v);
  ASSERT_FALSE(done);
  EXPECT_THAT(english(done.error()), AllOf(HasSubstr("acceptable_displacement"), HasSubstr(file.string())));
  EXPECT_EQ(v.verdict, Outcome::kUnknown);
  std::filesystem::remove(file);
}

TEST(CtCheck, RefusesTheCtOfAnotherPatient) {
  CtScan scan;
  scan.info.patient_id = "B";
  const Catalogue c = catalogue();
  const Limits l = limits();
  const TemplateSegmenter segmenter;
  const auto checked = checkCt({&plan(), &c, &l, &segmenter, &scan, false});
  ASSERT_FALSE(checked);
  EXPECT_EQ(checked.error().fault, Fault::kRequest);
  EXPECT_THAT(english(checked.error()), HasSubstr("another patient"));
}

TEST(CtCheck, AScanWithoutAFootIsRefused) {
  CtScan scan;
  Grid grid;
  grid.size = Eigen::Vector3i(64, 64, 64);
  scan.volume = CtVolume(grid, -1000);
  const Catalogue c = catalogue();
  const Limits l = limits();
  const TemplateSegmenter segmenter;
  const auto checked = checkCt({&plan(), &c, &l, &segmenter, &scan, false});
  ASSERT_FALSE(checked);
  EXPECT_EQ(checked.error().fault, Fault::kImages);
}

}  // namespace
}  // namespace rayset
