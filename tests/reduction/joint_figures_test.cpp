// What is measured of a joint, on blocks whose steps and gaps are known, and what a file of figures makes of it.
#include "reduction/joint_figures.h"

#include <fmt/format.h>
#include <gtest/gtest.h>
#include <unistd.h>

#include <filesystem>
#include <fstream>

#include "anatomy/frames.h"
#include "anatomy/procedural_foot.h"
#include "base/units.h"
#include "data_files.h"
#include "english.h"
#include "reduction/borders.h"
#include "reduction/shafts.h"

namespace rayset::reduction {
namespace {

namespace fs = std::filesystem;

Frame standing() {
  Frame f;
  f.distal = -Vec3::UnitY();
  f.medial = Vec3::UnitX();
  f.dorsal = Vec3::UnitZ();
  return f;
}

const BorderSite& siteNamed(const std::vector<BorderSite>& sites, const std::string& name) {
  for (const BorderSite& s : sites)
    if (s.name == name) return s;
  throw std::runtime_error("no such border: " + name);
}

TEST(Borders, AStepBetweenTwoBlocksIsRead) {
  // A tarsal block and a wider metatarsal one distal to it, whose top stands 1.2 mm higher.
  const Surface tarsal = makeBox(Box(Vec3(-8, 0, -8), Vec3(8, 16, 8)));
  const Surface metatarsal = makeBox(Box(Vec3(-14, -30, -8), Vec3(14, -2, 9.2)));
  const DistanceField onto(metatarsal, 0.4, 5);
  const auto skin = sampleEvenly(tarsal, 6000);
  Points face;
  for (const OrientedPoint& s : skin)
    if (s.normal.y() < -0.9) face.push_back(s.position);
  const auto sites = borderSites(standing());
  const BorderSite& site = siteNamed(sites, "C2-M2 dorsal medial");
  const JointPlane joint = jointPlane(face, std::vector<double>(face.size(), 1), site.across);
  EXPECT_NEAR((joint.normal + Vec3::UnitY()).norm(), 0, 1e-6);
  const Points carried = carriedWall(skin, joint, site);
  ASSERT_GT(carried.size(), 50U);
  double sum = 0;
  for (const Vec3& p : carried) {
    EXPECT_NEAR(p.y(), -3.5, 1e-6);  // 3.5 mm beyond the joint
    EXPECT_GE(p.x(), -0.2);          // the medial half
    sum += onto.value(p) / static_cast<double>(carried.size());
  }
  EXPECT_NEAR(sum, -1.2, 0.05);
}

TEST(Borders, EveryOneHasItsOwnName) {
  std::map<std::string, int> names;
  for (const BorderSite& s : borderSites(standing())) ++names[s.name];
  for (const auto& [name, count] : names) EXPECT_EQ(count, 1) << name;
  EXPECT_TRUE(names.contains("M4-M5 closest"));
}

TEST(JointFigures, TheGapOfAProceduralFootIsThatOfItsSurfaces) {
  BoneSurfaces bones = proceduralFoot(randomShape(0), Side::kRight, 0.9).bones;
  std::map<Bone, DistanceField> fields;
  for (const Bone b : kMidfootBones) fields.emplace(b, DistanceField(bones.at(b), 0.8, 6));
  const FootFigures before = measureFoot(bones, fields, Side::kRight);
  ASSERT_TRUE(before.joints.contains(Ray(2)));
  // The second metatarsal 1 mm dorsally: its dorsal borders rise by as much.
  Rigid up = Rigid::Identity();
  up.translation() = Vec3(0, 0, 1);
  bones.at(Bone::kM2) = transformed(bones.at(Bone::kM2), up);
  fields.insert_or_assign(Bone::kM2, DistanceField(bones.at(Bone::kM2), 0.8, 6));
  const FootFigures after = measureFoot(bones, fields, Side::kRight);
  for (const char* name : {"C2-M2 dorsal medial", "C2-M2 dorsal lateral"}) {
    ASSERT_TRUE(before.borders_mm.contains(name) && after.borders_mm.contains(name)) << name;
    EXPECT_NEAR(after.borders_mm.at(name) - before.borders_mm.at(name), -1, 0.35) << name;
  }
  EXPECT_NEAR(after.joints.at(Ray(1)).gap_mm, before.joints.at(Ray(1)).gap_mm, 1e-9);  // another joint
}

TEST(JointFigures, AShaftThatLeansMedialHasThatAngle) {
  BoneSurfaces bones = proceduralFoot(randomShape(0), Side::kRight, 0.9).bones;
  std::map<Bone, DistanceField> fields;
  for (const Bone b : kMidfootBones) fields.emplace(b, DistanceField(bones.at(b), 0.8, 6));
  const FootFigures before = measureFoot(bones, fields, Side::kRight);
  const Frame foot = coarseFootFrame(bones, Side::kRight);
  const auto turned = [&](const Vec3& about) {
    BoneSurfaces moved = bones;
    moved.at(Bone::kM2) =
        transformed(bones.at(Bone::kM2), turnAbout(centroid(bones.at(Bone::kM2)), toRadians(4) * about, Vec3::Zero()));
    return measureFoot(moved, fields, Side::kRight);
  };
  const FootFigures aside = turned(foot.distal.cross(foot.medial));  // about dorsal: distal goes medial
  const FootFigures raised = turned(foot.distal.cross(foot.dorsal));
  const auto change = [&](const FootFigures& f, const char* name) {
    return toDegrees(f.shafts_rad.at(name) - before.shafts_rad.at(name));
  };
  EXPECT_NEAR(change(aside, "M1-M2 medial"), 4, 0.3);
  EXPECT_NEAR(change(aside, "M2-M3 medial"), -4, 0.3);
  EXPECT_NEAR(change(aside, "M1-M2 dorsal"), 0, 0.3);
  EXPECT_NEAR(change(raised, "M1-M2 dorsal"), 4, 0.3);
  EXPECT_NEAR(change(raised, "M2-M3 dorsal"), -4, 0.3);
  EXPECT_EQ(change(raised, "M3-M4 dorsal"), 0);
}

TEST(JointFigures, AStumpHasNoShaft) {
  EXPECT_TRUE(showsShaft(makeBox(Box(Vec3(-5, -70, -5), Vec3(5, 0, 5))), -Vec3::UnitY()));
  EXPECT_FALSE(showsShaft(makeBox(Box(Vec3(-5, -35, -5), Vec3(5, 0, 5))), -Vec3::UnitY()));
}

TEST(JointNorms, TheFileThatComesWithTheProgramHasPeopleToLeaveOut) {
  const auto all = readJointNorms(test::dataFile("joints.json"));
  ASSERT_TRUE(all) << english(all.error());
  EXPECT_EQ(all->people, 4);
  const auto without = readJointNorms(test::dataFile("joints.json"), "tlem2");
  ASSERT_TRUE(without) << english(without.error());
  EXPECT_EQ(without->people, 3);
  EXPECT_NE(all->borders_mm.at("C2-M2 dorsal medial").mean, without->borders_mm.at("C2-M2 dorsal medial").mean);
  for (const auto& [name, norm] : without->borders_mm) EXPECT_GT(norm.spread, 0.2) << name;
  EXPECT_EQ(without->shafts_rad.size(), shaftSites(standing()).size());
  for (const auto& [name, norm] : without->shafts_rad) EXPECT_GT(norm.spread, toRadians(1)) << name;
}

class JointsFile : public testing::Test {
 protected:
  fs::path write(const std::string& text) {
    const fs::path file = fs::temp_directory_path() / fmt::format("rayset-joints-{}.json", getpid());
    std::ofstream(file) << text;
    return file;
  }
};

TEST_F(JointsFile, OnePersonsFeetCountAsOne) {
  const auto person = [](const char* name, const std::string& values) {
    std::string feet;
    for (const char c : values)
      feet += fmt::format(R"({}{{"cuneonavicular_mm":1,"joints":[],"shafts_deg":{{}},"borders_mm":{{"x":{}}}}})",
                          feet.empty() ? "" : ",", c);
    return std::string(R"({"person":")") + name + R"(","feet":[)" + feet + "]}";
  };
  const auto norms = readJointNorms(
      write(R"({"people":[)" + person("a", "13") + "," + person("b", "5") + "," + person("c", "5") + "]}"));
  ASSERT_TRUE(norms) << english(norms.error());
  EXPECT_NEAR(norms->borders_mm.at("x").mean, (2 + 5 + 5) / 3.0, 1e-9);
}

TEST_F(JointsFile, ADamagedFileIsNamed) {
  for (const char* text :
       {"", "{", R"({"people":3})", R"({"people":[{"person":"a","feet":[{"joints":[{"ray":9}]}]}]})"}) {
    const fs::path file = write(text);
    const auto norms = readJointNorms(file);
    ASSERT_FALSE(norms) << text;
    EXPECT_NE(english(norms.error()).find(file.filename().string()), std::string::npos);
  }
}

TEST(PersonalNorms, TheTwinDrawsTheMeanAndNarrowsTheSpread) {
  JointNorms people;
  people.borders_mm["x"] = {0, 1};
  people.shafts_rad["x"] = {0, 0.07};
  FootFigures twin;
  twin.borders_mm["x"] = 1;
  twin.shafts_rad["x"] = 0.1;
  const JointNorms own = personalNorms(people, twin);
  EXPECT_GT(own.borders_mm.at("x").mean, 0.5);
  EXPECT_LT(own.borders_mm.at("x").spread, 0.5);
  EXPECT_GT(own.shafts_rad.at("x").mean, 0.05);
  EXPECT_LT(own.shafts_rad.at("x").spread, 0.035);
}

}  // namespace
}  // namespace rayset::reduction
