#include "injury/measures.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <filesystem>
#include <fstream>
#include <iostream>
#include <set>

#include "anatomy/frames.h"
#include "anatomy/procedural_foot.h"
#include "data_files.h"
#include "english.h"
#include "injury/displacement.h"

namespace rayset {
namespace {

using testing::HasSubstr;

using ByKey = std::map<std::string, Measure>;
ByKey byKey(const std::vector<Measure>& measures) {
  ByKey map;
  for (const auto& m : measures) map[m.key] = m;
  return map;
}

struct NamedFoot {
  std::string name;
  Foot foot;
  Frame frame;
};
NamedFoot named(std::string name, Foot foot) {
  const Frame frame = footFrame(foot.bones, foot.side);
  return {std::move(name), std::move(foot), frame};
}
const std::vector<NamedFoot>& realFeet() {
  static const std::vector<NamedFoot> all = [] {
    std::vector<NamedFoot> list;
    const std::filesystem::path root = RAYSET_FEET_DIR;
    for (const auto& [folder, side] :
         {std::pair{"vsd-z027/right", Side::kRight}, std::pair{"vsd-z027/left", Side::kLeft},
          std::pair{"visible-human-m/right", Side::kRight}}) {
      if (!std::filesystem::exists(root / folder)) continue;
      if (auto bones = readBoneFolder(root / folder)) list.push_back(named(folder, Foot{side, std::move(*bones)}));
    }
    return list;
  }();
  return all;
}
const NamedFoot& proceduralOne() {
  static const NamedFoot foot = named("procedural", proceduralFoot({}, Side::kRight, 0.8));
  return foot;
}
std::vector<const NamedFoot*> everyFoot() {
  std::vector<const NamedFoot*> all{&proceduralOne()};
  for (const auto& foot : realFeet()) all.push_back(&foot);
  if (realFeet().size() < 3)
    std::cout << "note: no real feet in " << RAYSET_FEET_DIR << "; the procedural foot alone is tested\n";
  return all;
}

BoneSurfaces shifted(const NamedFoot& f, const std::vector<Ray>& rays, double lateral, double dorsal,
                     double abduction_deg = 0) {
  BoneSurfaces out = f.foot.bones;
  for (const Ray ray : rays) {
    RayDisplacement d;
    d.ray = ray;
    d.lateral_mm = lateral;
    d.dorsal_mm = dorsal;
    d.abduction_rad = abduction_deg * M_PI / 180;
    Surface& m = out.at(metatarsal(ray));
    m = transformed(m, displacementTransform(d, basePoint(m, f.frame.distal), f.frame));
  }
  return out;
}

/// Judged by the limits that come with the program.
std::vector<Measure> measured(const BoneSurfaces& bones, Side side, const Frame& frame,
                              const BoneSurfaces* other = nullptr) {
  static const Limits limits = *Limits::read(test::dataFile("limits.json"));
  return ctMeasures(bones, side, frame, other, limits);
}

// --- limits
// ------------------------------------------------------------------------------------------------------------

TEST(Limits, ShippedFileIsSound) {
  const auto limits = Limits::read(test::dataFile("limits.json"));
  ASSERT_TRUE(limits) << english(limits.error());
  for (const auto& [key, limit] : limits->all()) {
    EXPECT_THAT((std::set<std::string>{"found", "computed", "memory, high confidence", "design choice"}),
                testing::Contains(limit.certainty))
        << key << ": values remembered with less confidence must not be limits";
    EXPECT_THAT((std::set<std::string>{"mm", "deg"}), testing::Contains(limit.unit)) << key;
  }
  // Reference table: reduction anatomical up to 1 mm, acceptable below 2 mm and 15 degrees.
  EXPECT_EQ(limits->find("anatomical_displacement")->value, 1.0);
  EXPECT_EQ(limits->find("acceptable_displacement")->value, 2.0);
  EXPECT_EQ(limits->find("talometatarsal_angle")->value, 15.0);
  EXPECT_EQ(limits->find("displaced_ray"), nullptr) << "stands in the code: kDisplacedFromMm";
  // Mean + 2 SD, worked out again.
  EXPECT_NEAR(limits->find("c1_m2_distance")->value, 3.7 + 2 * 0.7, 1e-9);
  EXPECT_NEAR(limits->find("c1_c2_distance")->value, 1.2 + 2 * 0.3, 1e-9);
  EXPECT_EQ(limits->find("no such limit"), nullptr);
}

TEST(Limits, BadFilesAreRefusedWithThePlaceOfTheFault) {
  const auto file = std::filesystem::path(testing::TempDir()) / "rayset_limits_test.json";
  const auto messageOf = [&](const std::string& text) {
    std::ofstream(file) << text;
    const auto limits = Limits::read(file);
    return limits ? std::string("read without a complaint") : english(limits.error());
  };
  const std::string good =
      R"({"key":"a","value":1,"unit":"mm","comparison":"above","source":"s","certainty":"found","applies_to":"x"})";
  EXPECT_THAT(messageOf(R"({"limits":[)" + good + "]}"), HasSubstr("without a complaint"));
  EXPECT_THAT(messageOf("{"), HasSubstr("not valid JSON"));
  EXPECT_THAT(messageOf("[]"), HasSubstr("no list 'limits'"));
  EXPECT_THAT(messageOf(R"({"limits":[1]})"), HasSubstr("entry 1"));
  EXPECT_THAT(messageOf(R"({"limits":[)" + good + "," + good + "]}"), HasSubstr("twice"));
  EXPECT_THAT(messageOf(R"({"limits":[{"key":"a"}]})"), HasSubstr("'unit'"));
  auto changed = good;
  changed.replace(changed.find("above"), 5, "over");
  EXPECT_THAT(messageOf(R"({"limits":[)" + changed + "]}"), HasSubstr("'over' is no comparison"));
  changed = good;
  changed.replace(changed.find(":1"), 2, ":\"1\"");
  EXPECT_THAT(messageOf(R"({"limits":[)" + changed + "]}"), HasSubstr("no number for 'value'"));
  std::filesystem::remove(file);
  EXPECT_THAT(english(Limits::read(file).error()), HasSubstr("cannot be read"));
  EXPECT_EQ(Limits::read(file).error().where, file.string());
}

TEST(Limits, AMissingEntryIsToldWithTheFile) {
  const auto file = test::dataFile("limits.json");
  const auto limits = Limits::read(file);
  ASSERT_TRUE(limits) << english(limits.error());
  EXPECT_EQ(limits->value("anatomical_displacement").value(), 1.0);
  const auto none = limits->value("no such limit");
  ASSERT_FALSE(none);
  EXPECT_THAT(english(none.error()), testing::AllOf(HasSubstr("no such limit"), HasSubstr(file.string())));
}

// --- values on intact feet
// ---------------------------------------------------------------------------------------------

TEST(Measures, IntactFeetLieInPlausibleRanges) {
  for (const auto* f : everyFoot()) {
    const auto m = byKey(measured(f->foot.bones, f->foot.side, f->frame));
    const auto inside = [&](const char* key, double low, double high) {
      ASSERT_TRUE(m.contains(key)) << f->name << key;
      EXPECT_GE(m.at(key).value, low) << f->name << " " << key;
      EXPECT_LE(m.at(key).value, high) << f->name << " " << key;
    };
    // Unloaded feet: at the lower end of the weight-bearing CT values (Falcon et al. 2022:
    // 3.7, 2.7, 1.2 mm) and below.
    inside("c1_m2_distance", 1.8, 5.1);
    inside("m1_m2_distance", 1.5, 5.0);
    inside("c1_c2_distance", 0.5, 2.2);
    // Never dorsal by the 2 mm that count. The invented foot has a lip of 2 mm at its first joint, a flaw of its shape.
    const bool invented = f == &proceduralOne();
    for (const Ray ray : {Ray(1), Ray(2), Ray(3)})
      inside(("dorsal_step_" + std::to_string(ray.number())).c_str(), -2.5, invented && ray == 1 ? 2.5 : 1.99);
    inside("m2_c2_medial_border", -1.99, 1.99);
    inside("talo_m1_lateral", -15, 15);
    inside("m1_declination", 12, 38);
    inside("arch_height", 0.01, 25);
    inside("protrusion_3", -8, 0);
    inside("protrusion_4", -15, -3);
    inside("protrusion_5", -30, -12);
    // All five joints and every measure of the list are there.
    EXPECT_EQ(m.size(), 25U) << f->name;
    for (const auto& [key, measure] : m) {
      EXPECT_FALSE(measure.name.empty() || measure.note.empty() || measure.unit.empty()) << key;
      if (!(invented && key == "dorsal_step_1")) {
        EXPECT_FALSE(measure.abnormal.value_or(false)) << f->name << " " << key << " " << measure.value;
      }
      EXPECT_EQ(measure.limit.has_value(), measure.abnormal.has_value()) << key;
      EXPECT_EQ(measure.limit.has_value(), !measure.source.empty() && !measure.certainty.empty()) << key;
      ASSERT_TRUE(measure.from && measure.to) << key;
      EXPECT_LT((*measure.from - f->frame.origin).norm(), 150) << key;
    }
  }
}

TEST(Measures, TwinsAgree) {
  if (realFeet().size() < 3) GTEST_SKIP() << "no real feet in " << RAYSET_FEET_DIR;
  const auto &right = realFeet()[0], &left = realFeet()[1];
  for (const auto& m : measured(right.foot.bones, Side::kRight, right.frame, &left.foot.bones)) {
    ASSERT_TRUE(m.difference && m.other_side) << m.key;
    // Protrusions and arch show the person; the joints must agree to about a millimetre.
    const double bound = m.unit == "deg" ? 6 : m.key == "arch_height" || m.key.starts_with("protrusion") ? 4 : 1.1;
    EXPECT_LT(std::abs(*m.difference), bound) << m.key << " " << m.value << " " << *m.other_side;
    EXPECT_FALSE(m.abnormal.value_or(false)) << m.key;
  }
}

TEST(Measures, MirroredFootGivesTheSameNumbers) {
  for (const auto* f : everyFoot()) {
    const Foot twin = mirrored(f->foot);
    const auto a = byKey(measured(f->foot.bones, f->foot.side, f->frame));
    const auto list = measured(twin.bones, twin.side, footFrame(twin.bones, twin.side), &f->foot.bones);
    EXPECT_EQ(list.size(), a.size());
    for (const auto& m : list) {
      EXPECT_NEAR(m.value, a.at(m.key).value, 1e-6) << m.key;
      EXPECT_NEAR(*m.difference, 0, 1e-6) << m.key;
    }
  }
}

// The difference says how much more there is of it on this side: positive where this foot is the wider one.
TEST(Measures, TheDifferenceHasTheSignOfTheInjuredSide) {
  for (const auto* f : everyFoot()) {
    const Foot twin = mirrored(f->foot);
    const auto here = byKey(measured(shifted(*f, {Ray(2)}, 3, 0), f->foot.side, f->frame, &twin.bones));
    const Measure& wide = here.at("c1_m2_distance");
    EXPECT_NEAR(wide.difference.value(), 3, 0.1) << f->name;
    EXPECT_LT(wide.other_side.value(), wide.value) << f->name;
    // The other way round: the twin is intact, and the foot it is compared with is the wider one.
    const BoneSurfaces injured = shifted(*f, {Ray(2)}, 3, 0);
    const auto there = byKey(measured(twin.bones, twin.side, footFrame(twin.bones, twin.side), &injured));
    EXPECT_NEAR(there.at("c1_m2_distance").difference.value(), -3, 0.1) << f->name;
  }
}

TEST(Measures, NumbersDoNotDependOnTheScanner) {
  for (const auto* f : everyFoot()) {
    const Rigid X = turnAbout(Vec3(10, 20, 30), Vec3(1.1, -0.7, 2.0), Vec3(-40, 55, 900));
    BoneSurfaces there;
    for (const auto& [bone, surface] : f->foot.bones) there[bone] = transformed(surface, X);
    const auto a = byKey(measured(f->foot.bones, f->foot.side, f->frame));
    for (const auto& m : measured(there, f->foot.side, footFrame(there, f->foot.side)))
      EXPECT_NEAR(m.value, a.at(m.key).value, 0.05) << f->name << m.key;
  }
}

// --- known displacements
// -------------------------------------------------------------------------------------------------

TEST(Measures, LateralShiftOfTheSecondRayWidensC1M2ByAsMuch) {
  for (const auto* f : everyFoot()) {
    const auto intact = byKey(measured(f->foot.bones, f->foot.side, f->frame));
    for (const double shift : {1.0, 3.0, 6.0}) {
      const auto m = byKey(measured(shifted(*f, {Ray(2)}, shift, 0), f->foot.side, f->frame));
      EXPECT_NEAR(m.at("c1_m2_distance").value - intact.at("c1_m2_distance").value, shift, 0.1) << f->name;
      EXPECT_NEAR(m.at("m1_m2_distance").value - intact.at("m1_m2_distance").value, shift, 0.1) << f->name;
      EXPECT_NEAR(m.at("side_step_2").value - intact.at("side_step_2").value, shift, 0.5) << f->name;
      EXPECT_NEAR(m.at("m2_c2_medial_border").value - intact.at("m2_c2_medial_border").value, shift, 0.2 * shift + 0.3)
          << f->name;  // the slant of the joint
      // What did not move does not change.
      for (const char* key : {"c1_c2_distance", "dorsal_step_1", "side_step_3", "talo_m1_lateral", "arch_height"})
        EXPECT_NEAR(m.at(key).value, intact.at(key).value, 1e-9) << f->name << key;
    }
  }
}

TEST(Measures, DorsalShiftShowsAsDorsalStepOfThatJoint) {
  for (const auto* f : everyFoot()) {
    const auto intact = byKey(measured(f->foot.bones, f->foot.side, f->frame));
    for (const Ray ray : kRays) {
      const auto m = byKey(measured(shifted(*f, {ray}, 0, 3), f->foot.side, f->frame));
      for (int joint = 1; joint <= 5; ++joint) {
        const std::string key = "dorsal_step_" + std::to_string(joint);
        EXPECT_NEAR(m.at(key).value - intact.at(key).value, joint == ray ? 3 : 0, joint == ray ? 0.6 : 1e-9)
            << f->name << key;
      }
    }
  }
}

TEST(Measures, SideShiftShowsAsSideStepOfThatJoint) {
  for (const auto* f : everyFoot()) {
    const auto intact = byKey(measured(f->foot.bones, f->foot.side, f->frame));
    for (const Ray ray : kRays) {
      const double shift = ray == 1 ? -3 : 3;  // the way it goes in life
      const auto m = byKey(measured(shifted(*f, {ray}, shift, 0), f->foot.side, f->frame));
      const std::string key = "side_step_" + std::to_string(ray.number());
      // The oblique fifth joint opens when the ray slides, which takes the outline with it.
      EXPECT_NEAR(m.at(key).value - intact.at(key).value, shift, ray == 5 ? 1.6 : 0.9) << f->name << key;
    }
  }
}

TEST(Measures, AbductionOfTheSecondRayIsReadInDegrees) {
  for (const auto* f : everyFoot()) {
    const auto intact = byKey(measured(f->foot.bones, f->foot.side, f->frame));
    const auto m = byKey(measured(shifted(*f, {Ray(2)}, 0, 0, 10), f->foot.side, f->frame));
    EXPECT_NEAR(m.at("m2_c2_abduction").value - intact.at("m2_c2_abduction").value, 10, 0.2) << f->name;
  }
}

TEST(Measures, InjuredFootIsJudgedAgainstTheOther) {
  if (realFeet().size() < 3) GTEST_SKIP() << "no real feet in " << RAYSET_FEET_DIR;
  const auto &right = realFeet()[0], &left = realFeet()[1];
  const auto judge = [&](double lateral) {
    return byKey(measured(shifted(right, {Ray(2), Ray(3), Ray(4), Ray(5)}, lateral, 0), Side::kRight, right.frame,
                          &left.foot.bones))
        .at("c1_m2_distance");
  };
  const Measure wide = judge(4);
  EXPECT_EQ(wide.abnormal, true);
  EXPECT_TRUE(wide.limit_on_difference);
  EXPECT_EQ(wide.limit, 3.0);
  EXPECT_THAT(wide.source, HasSubstr("41170783"));
  const Measure between = judge(1.5);
  EXPECT_EQ(between.abnormal, std::nullopt) << *between.difference;
  EXPECT_THAT(english(between.note), HasSubstr("suspicious, not decided"));
  EXPECT_EQ(judge(0).abnormal, false);

  const auto up = byKey(measured(shifted(right, {Ray(1), Ray(2), Ray(3), Ray(4), Ray(5)}, 0, 4), Side::kRight,
                                 right.frame, &left.foot.bones));
  for (const Ray ray : kRays) EXPECT_EQ(up.at("dorsal_step_" + std::to_string(ray.number())).abnormal, true) << ray;
  const auto injured = byKey(measured(shifted(right, {Ray(1), Ray(2), Ray(3), Ray(4), Ray(5)}, 5, 0), Side::kRight,
                                      right.frame, &left.foot.bones));
  for (const Ray ray : kRays) EXPECT_EQ(injured.at("side_step_" + std::to_string(ray.number())).abnormal, true) << ray;
  EXPECT_EQ(injured.at("m2_c2_medial_border").abnormal, true);
  EXPECT_EQ(injured.at("m2_c2_abduction").abnormal, std::nullopt);  // no limit worth shipping
}

TEST(Measures, WithoutTheOtherFootOnlyWhatHasALimitIsJudged) {
  const NamedFoot& f = proceduralOne();
  const auto m = byKey(measured(shifted(f, {Ray(2), Ray(3)}, 5, 3), f.foot.side, f.frame));
  EXPECT_EQ(m.at("c1_m2_distance").abnormal, true);
  EXPECT_FALSE(m.at("c1_m2_distance").limit_on_difference);
  EXPECT_EQ(m.at("dorsal_step_2").abnormal, true);
  EXPECT_EQ(m.at("side_step_2").abnormal, std::nullopt);
  EXPECT_THAT(english(m.at("side_step_2").note), HasSubstr("Judged only against the other foot"));
  EXPECT_THAT(english(m.at("talo_m1_dorsoplantar").note), HasSubstr("No published limit is fit for a verdict"));
  EXPECT_THAT(english(m.at("arch_height").note), HasSubstr("not loaded"));
}

TEST(Measures, MissingBonesTakeTheirMeasuresAlong) {
  const NamedFoot& f = proceduralOne();
  auto part = f.foot.bones;
  for (const Bone bone : {Bone::kTal, Bone::kCal, Bone::kM3}) part.erase(bone);
  const auto m = byKey(measured(part, f.foot.side, f.frame));
  for (const char* gone : {"talo_m1_lateral", "talo_m1_dorsoplantar", "m1_declination", "arch_height", "dorsal_step_3",
                           "side_step_3", "protrusion_3"})
    EXPECT_FALSE(m.contains(gone)) << gone;
  for (const char* there : {"c1_m2_distance", "dorsal_step_2", "m2_c2_medial_border"})
    EXPECT_TRUE(m.contains(there)) << there;
  EXPECT_TRUE(measured({}, Side::kRight, f.frame).empty());
}

// Both at once, as injuries have it. Rays 2 and 4 only: in the first and third joint a shift to the side runs down the
// slope of the dorsum and changes the dorsal step by up to 2.5 mm (the notes of those measures say so).
TEST(Measures, CombinedShiftShowsInBothSteps) {
  for (const auto* f : everyFoot()) {
    const auto intact = byKey(measured(f->foot.bones, f->foot.side, f->frame));
    const auto m = byKey(measured(shifted(*f, {kRays.begin(), kRays.end()}, 4, 3), f->foot.side, f->frame));
    for (const Ray ray : {Ray(2), Ray(4)}) {
      const std::string n = std::to_string(ray.number());
      EXPECT_NEAR(m.at("dorsal_step_" + n).value - intact.at("dorsal_step_" + n).value, 3, 1.2)
          << f->name << ray.number();
      EXPECT_NEAR(m.at("side_step_" + n).value - intact.at("side_step_" + n).value, 4, 1.5) << f->name << ray.number();
    }
  }
}

TEST(Measures, DislocatedJointHasNoStep) {
  const NamedFoot& f = proceduralOne();
  const auto m = byKey(measured(shifted(f, {Ray(1)}, -40, 0), f.foot.side, f.frame));
  EXPECT_FALSE(m.contains("dorsal_step_1"));
  EXPECT_TRUE(m.contains("dorsal_step_2"));
}

TEST(Measures, WithoutLimitsNothingIsJudged) {
  const NamedFoot& f = proceduralOne();
  for (const auto& m : ctMeasures(f.foot.bones, f.foot.side, f.frame, nullptr, Limits{})) {
    EXPECT_EQ(m.abnormal, std::nullopt) << m.key;
    EXPECT_EQ(m.limit, std::nullopt) << m.key;
  }
}

}  // namespace
}  // namespace rayset
