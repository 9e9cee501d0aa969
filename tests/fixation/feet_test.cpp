// The whole construct on real and procedural feet, judged by code that shares nothing with the planner (brute_force.h).
#include <fmt/format.h>
#include <gmock/gmock.h>
#include <tbb/global_control.h>

#include <iostream>

#include "anatomy/frames.h"
#include "anatomy/procedural_foot.h"
#include "base/units.h"
#include "brute_force.h"
#include "data_files.h"
#include "english.h"
#include "fixation/construct.h"
#include "phantom/injury_spec.h"

namespace rayset {
namespace {

using testing::HasSubstr;

const Catalogue& catalogue() {
  static const Catalogue c = *readCatalogue(test::dataFile("implants.json"));
  return c;
}

// "vsd-z027/right" is a folder of RAYSET_FEET_DIR; "procedural N" the foot of seed N; "small" a foot of 0.85 size.
const BoneSurfaces* foot(const std::string& name) {
  static std::map<std::string, BoneSurfaces> known;
  if (const auto it = known.find(name); it != known.end()) return &it->second;
  if (name == "small" || name.starts_with("procedural")) {
    FootShape shape;
    if (name == "small") shape.size = 0.85;
    if (name.starts_with("procedural ")) shape = randomShape(static_cast<std::uint32_t>(std::stoi(name.substr(11))));
    return &(known[name] = proceduralFoot(shape, Side::kRight, 0.8).bones);
  }
  const auto folder = std::filesystem::path(RAYSET_FEET_DIR) / name;
  if (!std::filesystem::exists(folder)) return nullptr;
  auto bones = readBoneFolder(folder);
  return bones ? &(known[name] = std::move(*bones)) : nullptr;
}

ConstructInput inputOf(const BoneSurfaces& bones) {
  ConstructInput input;
  input.reduced = &bones;
  input.side = sideFromAnatomy(bones).value_or(Side::kRight);
  input.frame = footFrame(bones, input.side);
  return input;
}

void print(const std::string& name, const ConstructResult& result) {
  std::cout
      << name
      << ": device, length, gauge, in metatarsal, in tarsal, margin, entry to joint, off centre, angles to shaft / "
         "cortex / joint, area lost %, nearest\n";
  for (const Device& d : result.devices) {
    const DeviceChecks& c = d.checks;
    std::printf("  %-6s %4.0f %5.1f %5.1f %5.1f %5.2f %5.1f %4.1f %4.0f %4.0f %4.0f %5.1f %5.1f", d.id.c_str(),
                d.length_mm, d.measured_depth_mm, c.length_in_first_mm, c.length_in_last_mm, c.cortex_margin_mm,
                c.entry_to_joint_mm, c.crossing_off_centre_mm, toDegrees(c.angle_to_shaft_rad),
                toDegrees(c.angle_to_surface_rad), toDegrees(c.crossing_angle_rad), c.joint_area_lost_percent,
                c.nearest_device_mm);
    for (const auto& w : d.warnings) std::printf("  (%s)", english(w).c_str());
    std::printf("\n");
  }
  for (const auto& c : result.cautions) std::printf("  ! %s\n", english(c).c_str());
  std::fflush(stdout);
}

// Everything an outside checker would look at, on the meshes alone.
// `whole`: the unbroken M2, whose skin is the outer cortex where it was broken (broken faces are not).
void judge(const ConstructResult& result, const BoneSurfaces& bones,
           const std::map<std::string, Surface>& fragments = {}, const Surface* whole = nullptr) {
  std::map<std::string, std::pair<const Surface*, Box>> all;
  for (const auto& [b, s] : bones) all[std::string(boneId(b))] = {&s, bounds(s)};
  for (const auto& [id, s] : fragments) all[id] = {&s, bounds(s)};
  for (const Device& d : result.devices) {
    SCOPED_TRACE(d.id);
    EXPECT_NEAR(d.direction.norm(), 1, 1e-9);
    EXPECT_NEAR((d.tip - d.entry).norm(), d.length_mm, 1e-9);
    EXPECT_GT((d.tip - d.entry).normalized().dot(d.direction), 1 - 1e-9);
    std::vector<std::string> own = d.through;
    const std::string first = d.through.front(), last = d.through.back();
    if (first.find('.') == std::string::npos) {
      for (const auto& [id, s] : fragments)  // a bone's fragments are part of it
        if (id.substr(0, 2) == first) own.push_back(id);
    }
    double to_entry = 1e9;
    for (const std::string& id : own)
      if (id.substr(0, 2) == first.substr(0, 2))
        to_entry = std::min(to_entry, brute::distance(*all.at(id).first, d.entry));
    EXPECT_LT(to_entry, 0.05) << "entry is off the cortex";
    EXPECT_TRUE(brute::inside(*all.at(last).first, all.at(last).second, d.tip)) << "tip is not in " << last;

    const double radius = d.diameter_mm / 2;
    const double zone = std::clamp((radius + 0.8) / std::sin(d.checks.angle_to_surface_rad), 2.0, 10.0);
    // All round the side: in one of its own bones, or in the joint between them; never in another bone.
    for (const Vec3& p : brute::cylinderSide(d.entry, d.direction, radius, zone, d.length_mm, 1.0)) {
      bool inside = false;
      for (const std::string& id : own) inside = inside || brute::inside(*all.at(id).first, all.at(id).second, p);
      // A crack between a bone and its fragment lies inside the bone as it was.
      inside = inside || (whole != nullptr && brute::inside(*whole, bounds(*whole), p));
      if (!inside) {
        EXPECT_LT(brute::distance(*all.at(last).first, p), 3.5)
            << "out of the bone at " << (p - d.entry).dot(d.direction);
        double to_first = 1e9;
        for (const std::string& id : own)
          if (id != last) to_first = std::min(to_first, brute::distance(*all.at(id).first, p));
        EXPECT_LT(to_first, 3.5) << "out of the bone at " << (p - d.entry).dot(d.direction);
        const double along = (p - d.entry).dot(d.direction);
        EXPECT_NEAR(along, d.checks.length_in_first_mm, 6.0) << "out of the bone, and not at the joint";
      }
    }
    for (const Vec3& p : brute::cylinderSide(d.entry, d.direction, radius, 0, d.length_mm, 1.0)) {
      for (const auto& [id, bone] : all) {
        if (std::find(own.begin(), own.end(), id) == own.end()) {
          EXPECT_FALSE(brute::inside(*bone.first, bone.second, p)) << "enters " << id;
        }
      }
    }
    // The reported margin is a lower bound of the true one (away from entry, tip and joint).
    const double from = std::clamp((radius + 1.8) / std::sin(d.checks.angle_to_surface_rad), 2.0, 10.0);
    double margin = 1e9;
    for (const Vec3& p :
         brute::cylinderSide(d.entry, d.direction, radius, from, std::max(from, d.length_mm - d.diameter_mm), 1.5)) {
      const double along = (p - d.entry).dot(d.direction);  // the gap itself is up to 4 mm long on the axis
      if (along > d.checks.length_in_first_mm - 6 && along < d.length_mm - d.checks.length_in_last_mm + 6) continue;
      double skin = 1e9;
      for (const std::string& id : own) {
        const Surface& surface = whole != nullptr && id.substr(0, 2) == "M2" ? *whole : *all.at(id).first;
        if (brute::inside(surface, bounds(surface), p)) skin = brute::distance(surface, p);
      }
      margin = std::min(margin, skin);
    }
    EXPECT_GT(margin, d.checks.cortex_margin_mm - 0.1);
    // What is in together must fit together.
    for (const Device& other : result.devices) {
      if (other.id == d.id) continue;
      EXPECT_GE(brute::segments(d.entry, d.tip, other.entry, other.tip) - radius - other.diameter_mm / 2,
                d.checks.nearest_device_mm - 0.01);
    }
    EXPECT_GT(d.checks.nearest_device_mm, 1.0);
    EXPECT_TRUE(isClosed(deviceSurface(d, catalogue())));
  }
}

const Device* device(const ConstructResult& result, const std::string& id) {
  const auto it =
      std::find_if(result.devices.begin(), result.devices.end(), [&](const Device& d) { return d.id == id; });
  return it == result.devices.end() ? nullptr : &*it;
}

class AdultFoot : public testing::TestWithParam<const char*> {};

TEST_P(AdultFoot, ConstructIsWhatTheTradeExpects) {
  const BoneSurfaces* bones = foot(GetParam());
  if (bones == nullptr) GTEST_SKIP() << "real foot " << GetParam() << " is not here";
  const auto result = planConstruct(inputOf(*bones), catalogue());
  ASSERT_TRUE(result) << english(result.error());
  print(GetParam(), *result);
  EXPECT_THAT(english(result->cautions), testing::IsEmpty());
  judge(*result, *bones);
  for (const Ray ray : kRays) {
    const Device* screw = device(*result, fmt::format("S{}", ray));
    ASSERT_NE(screw, nullptr) << ray;
    EXPECT_EQ(screw->through.front(), boneId(metatarsal(ray)));
    EXPECT_EQ(screw->through.back(), boneId(tarsalPartner(ray)));
    EXPECT_GE(screw->checks.entry_to_joint_mm, 10 - 0.2) << ray;
    EXPECT_GT(screw->checks.cortex_margin_mm, 0.5) << ray;
    EXPECT_DOUBLE_EQ(screw->checks.inside_fraction, 1) << ray;
    EXPECT_DOUBLE_EQ(screw->checks.tip_beyond_cortex_mm, 0) << ray;
    EXPECT_GE(screw->checks.length_in_last_mm, 10) << ray;
    const ImplantType& type = *catalogue().find(screw->type);
    EXPECT_DOUBLE_EQ(type.drill_mm, 2.5);  // common practice, no source
    EXPECT_DOUBLE_EQ(type.tap_mm, 3.5);    // common practice, no source
    const Device* wire = device(*result, fmt::format("W{}", ray));
    ASSERT_NE(wire, nullptr) << ray;
    EXPECT_EQ(wire->stage, DeviceStage::kTemporary);
    EXPECT_EQ(wire->type, "wire-1.6-threaded");
  }
  // Common practice, no source.
  EXPECT_GE(device(*result, "S2")->length_mm, 30);
  EXPECT_LE(device(*result, "S2")->length_mm, 40);
  EXPECT_GE(device(*result, "S1")->length_mm, 40);
  EXPECT_LE(device(*result, "S1")->length_mm, 50);
  EXPECT_GE(toDegrees(device(*result, "S5")->checks.angle_to_shaft_rad), 35);
  EXPECT_LE(toDegrees(device(*result, "S5")->checks.angle_to_shaft_rad), 55);
  // Dorsal entries (rays 1 to 4), going proximal and plantar.
  const Frame frame = inputOf(*bones).frame;
  for (const Ray ray : {Ray(1), Ray(2), Ray(3), Ray(4)}) {
    const Device* screw = device(*result, fmt::format("S{}", ray));
    EXPECT_LT(screw->direction.dot(frame.distal), -0.5) << ray;
    EXPECT_LT(screw->direction.dot(frame.dorsal), -0.1) << ray;
  }
}

INSTANTIATE_TEST_SUITE_P(Feet, AdultFoot,
                         testing::Values("vsd-z027/right", "vsd-z027/left", "visible-human-m/right", "procedural 0",
                                         "procedural 3"),
                         [](const auto& parameter) {
                           std::string name = parameter.param;
                           for (char& c : name)
                             if (std::isalnum(static_cast<unsigned char>(c)) == 0) c = '_';
                           return name;
                         });

TEST(SmallFoot, IsFixedOrSaysWhyNot) {
  const BoneSurfaces* bones = foot("small");
  const auto result = planConstruct(inputOf(*bones), catalogue());
  ASSERT_TRUE(result);
  print("small", *result);
  judge(*result, *bones);
  // Nothing silent: each ray has its screw, or a caution names it.
  for (const Ray ray : kRays) {
    if (device(*result, fmt::format("S{}", ray)) == nullptr) {
      EXPECT_THAT(english(result->cautions),
                  testing::Contains(HasSubstr(fmt::format("screw of the {}", ordinal(ray)))));
    }
  }
  for (const Device& d : result->devices)
    if (d.checks.cortex_margin_mm < 0.75 && d.kind == DeviceKind::kScrew) {
      EXPECT_THAT(english(d.warnings), testing::Contains(HasSubstr("cortex")));
    }
}

// Small feet with joint spaces of 2 to 3.5 mm. They used to lose the fifth ray, and a screw took up to 997 % of a joint
// face, because only the scrap of the faces within 2.5 mm of each other counted.
class WideJoints : public testing::TestWithParam<const char*> {};

TEST_P(WideJoints, EveryRayIsHeldAcrossTheWholeFace) {
  const BoneSurfaces* bones = foot(GetParam());
  if (bones == nullptr) GTEST_SKIP() << "real foot " << GetParam() << " is not here";
  const auto result = planConstruct(inputOf(*bones), catalogue());
  ASSERT_TRUE(result) << english(result.error());
  print(GetParam(), *result);
  judge(*result, *bones);
  for (const Ray ray : kRays) {
    const Device* screw = device(*result, fmt::format("S{}", ray));
    ASSERT_NE(screw, nullptr) << ray;
    // Reference table D has up to 5.7 % of the larger feet's joints.
    EXPECT_LT(screw->checks.joint_area_lost_percent, 15) << ray;
    EXPECT_GE(screw->checks.length_in_last_mm, 8) << ray;
  }
}

INSTANTIATE_TEST_SUITE_P(Feet, WideJoints, testing::Values("jia/left", "jia/right"), [](const auto& parameter) {
  return std::string(parameter.param) == "jia/left" ? "jia_left" : "jia_right";
});

TEST(NoScrewFits, AWireStaysOrAPlateIsNamed) {
  const BoneSurfaces* bones = foot("procedural 0");
  Catalogue thick = catalogue();
  for (ImplantType& type : thick.types)
    if (type.id == "cortex-3.5") type.diameter_mm = 14;
  ConstructSettings settings;
  settings.rays = {Ray(2), Ray(5)};
  const auto result = planConstruct(inputOf(*bones), thick, settings);
  ASSERT_TRUE(result);
  EXPECT_EQ(device(*result, "S2"), nullptr);
  EXPECT_EQ(device(*result, "S5"), nullptr);
  const Device* wire = device(*result, "W5");
  ASSERT_NE(wire, nullptr);
  EXPECT_EQ(wire->stage, DeviceStage::kDefinitive);
  EXPECT_EQ(wire->type, "wire-1.6-smooth");
  EXPECT_THAT(english(result->cautions), testing::Contains(HasSubstr("No safe screw of the fifth ray")));
  EXPECT_THAT(english(result->cautions), testing::Contains(HasSubstr("fifth ray is held by a 1.6 mm wire that stays")));
  EXPECT_THAT(english(result->cautions),
              testing::Contains(HasSubstr("holds the second ray in this plan: a bridging plate")));
  judge(*result, *bones);
}

TEST(LateralWires, NoScrewAcrossTheMobileJoints) {
  const BoneSurfaces* bones = foot("procedural 0");
  ConstructSettings settings;
  settings.lateral_wires = true;
  settings.rays = {Ray(4), Ray(5)};
  const auto result = planConstruct(inputOf(*bones), catalogue(), settings);
  ASSERT_TRUE(result);
  print("lateral wires", *result);
  EXPECT_THAT(english(result->cautions), testing::IsEmpty());
  ASSERT_EQ(result->devices.size(), 2U);
  for (const Device& d : result->devices) {
    EXPECT_EQ(d.kind, DeviceKind::kWire);
    EXPECT_EQ(d.stage, DeviceStage::kDefinitive);
    EXPECT_EQ(d.type, "wire-1.6-smooth");
    EXPECT_GE(d.checks.length_in_last_mm, 8);
  }
  judge(*result, *bones);
}

class Fragment : public testing::TestWithParam<BaseFragment> {};

TEST_P(Fragment, GetsItsSmallWires) {
  const BoneSurfaces* bones = foot("procedural 0");
  InjurySpec spec;
  spec.fragment = GetParam();
  const auto injured = injure(*bones, Side::kRight, spec);
  ASSERT_TRUE(injured) << english(injured.error());
  ASSERT_FALSE(injured->fragments.empty());
  ConstructInput input = inputOf(injured->injured);  // no ray was moved: only the fragments have to go back
  for (const auto& [id, surface] : injured->fragments) {
    const auto it = injured->fragment_injured_to_reduced.find(id);
    ASSERT_NE(it, injured->fragment_injured_to_reduced.end());
    input.fragments[id] = transformed(surface, it->second);
  }
  ConstructSettings settings;
  settings.rays = {Ray(2)};
  const auto result = planConstruct(input, catalogue(), settings);
  ASSERT_TRUE(result);
  print("fragments", *result);
  judge(*result, injured->injured, input.fragments, &bones->at(Bone::kM2));
  EXPECT_NE(device(*result, "S2"), nullptr);
  for (const auto& [id, surface] : input.fragments) {
    const Device* wire = device(*result, fmt::format("F{}a", id));
    if (wire == nullptr) {
      EXPECT_THAT(english(result->cautions), testing::Contains(HasSubstr(id)));
      continue;
    }
    EXPECT_DOUBLE_EQ(wire->diameter_mm, 1.0);
    EXPECT_THAT(wire->through, testing::UnorderedElementsAre(id, "M2"));
    EXPECT_GE(wire->checks.length_in_last_mm, 4);
    EXPECT_GE(wire->checks.length_in_first_mm, 3);
    EXPECT_LT(wire->direction.dot(input.frame.dorsal), 0.11) << "comes from the sole";
  }
  EXPECT_NE(device(*result, "FM2.1a"), nullptr) << "the main fragment must be held";
}

INSTANTIATE_TEST_SUITE_P(Kinds, Fragment,
                         testing::Values(BaseFragment::kShear, BaseFragment::kButterfly, BaseFragment::kY));

TEST(Threads, DoNotChangeThePlan) {
  const BoneSurfaces* bones = foot("procedural 0");
  ConstructSettings settings;
  settings.rays = {Ray(2), Ray(3)};
  const auto run = [&](std::size_t threads) {
    const tbb::global_control control(tbb::global_control::max_allowed_parallelism, threads);
    return planConstruct(inputOf(*bones), catalogue(), settings);
  };
  const auto one = run(1), two = run(2);
  ASSERT_TRUE(one && two);
  ASSERT_EQ(one->devices.size(), two->devices.size());
  for (std::size_t i = 0; i < one->devices.size(); ++i) {
    EXPECT_EQ(one->devices[i].entry, two->devices[i].entry);
    EXPECT_EQ(one->devices[i].tip, two->devices[i].tip);
    EXPECT_EQ(one->devices[i].checks.cortex_margin_mm, two->devices[i].checks.cortex_margin_mm);
  }
}

TEST(MissingBone, LeavesTheOtherRays) {
  BoneSurfaces bones = *foot("procedural 0");
  bones.erase(Bone::kC3);
  ConstructSettings settings;
  settings.rays = {Ray(2), Ray(3)};
  const auto result = planConstruct(inputOf(bones), catalogue(), settings);
  ASSERT_TRUE(result);
  EXPECT_NE(device(*result, "S2"), nullptr);
  EXPECT_EQ(device(*result, "S3"), nullptr);
  EXPECT_THAT(english(result->cautions), testing::ElementsAre(HasSubstr("lateral cuneiform")));
}

}  // namespace
}  // namespace rayset
