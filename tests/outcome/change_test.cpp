// What has changed between two checks: from poses that are known.
#include "outcome/change.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "anatomy/bones.h"
#include "base/units.h"
#include "english.h"
#include "geometry/json.h"
#include "outcome/verification_codec.h"

namespace rayset {
namespace {

using Json = nlohmann::json;
using testing::HasSubstr;

// Medial, distal and dorsal along x, y and z.
const Vec3 kBase(10, 50, 5), kEntry(12, 60, 9), kTip(9, 20, 4);

struct Found {
  Rigid pose = Rigid::Identity();   // of the second metatarsal
  Rigid metal = Rigid::Identity();  // of the screw, against the tarsus
  double within_mm = 0.5, within_deg = 3;
  bool seen = true;
  double gap_mm = 0;
};

Json check(const Found& f) {
  const Json directions{{"medial", {1, 0, 0}}, {"distal", {0, 1, 0}}, {"dorsal", {0, 0, 1}}};
  Json device{{"id", "S2"}, {"seen", f.seen}, {"through", {"M2", "C2"}}};
  if (f.seen) {
    device["entry"] = pointJson(f.metal * kEntry, 4);
    device["tip"] = pointJson(f.metal * kTip, 4);
    if (f.gap_mm > 0) device["gap"] = {{"mm", f.gap_mm}, {"from_entry_mm", 20}};
    device["uncertainty"] = {{"entry_mm", f.within_mm}, {"tip_mm", f.within_mm}, {"axis_deg", f.within_deg}};
  }
  return {{"schema", "rayset.verification/1"},
          {"side", "right"},
          {"patient_id", "A"},
          {"date", "2026-02-01"},
          {"frame", directions},
          {"rays", Json::array({{{"ray", 2},
                                 {"injured_to_found", rigidJson(f.pose)},
                                 {"base", pointJson(f.pose * kBase, 4)},
                                 {"uncertainty", {{"mm", f.within_mm}, {"deg", f.within_deg}}}}})},
          {"devices", Json::array({device})}};
}

Rigid shifted(double medial, double distal, double dorsal) {
  Rigid X = Rigid::Identity();
  X.translate(Vec3(medial, distal, dorsal));
  return X;
}

TEST(Change, AScrewThatBreaksIsToldOnce) {
  const Json whole = check({}), broken = check({.gap_mm = 3});
  const auto change = changeSince(whole, broken, "before");
  ASSERT_TRUE(change);
  EXPECT_TRUE(change->devices[0].moved);
  EXPECT_EQ(change->devices[0].words, "looks broken, did not at the earlier check");
  EXPECT_TRUE(changeCodec().write(*change)["devices"][0]["broke"]);
  const auto still = changeSince(broken, broken, "before");
  ASSERT_TRUE(still);
  EXPECT_FALSE(still->devices[0].broke);
  EXPECT_EQ(still->devices[0].words, "no change told");
}

TEST(Change, NothingIsToldOfTheSameFoot) {
  const auto change = changeSince(check({}), check({}), "before");
  ASSERT_TRUE(change);
  EXPECT_EQ(change->since, "2026-02-01");
  ASSERT_EQ(change->rays.size(), 1U);
  EXPECT_FALSE(change->rays[0].moved);
  EXPECT_EQ(change->rays[0].words, "no change told");
  EXPECT_NEAR(change->rays[0].shift_95_mm, std::hypot(0.5, 0.5), 1e-12);
  ASSERT_EQ(change->devices.size(), 1U);
  EXPECT_FALSE(change->devices[0].moved);
}

TEST(Change, ARayThatDriftsIsToldInTheFootsDirections) {
  Found first, second;
  first.pose = turnAbout(kBase, toRadians(4) * Vec3::UnitZ(), Vec3(0.3, 0, 0));
  second.pose = turnAbout(first.pose * kBase, toRadians(9) * Vec3::UnitX(), Vec3(-2, 0, 1)) * first.pose;
  second.metal = first.metal;
  const auto change = changeSince(check(first), check(second), "before");
  ASSERT_TRUE(change);
  const RayChange& c = change->rays[0];
  EXPECT_NEAR(c.lateral_mm, 2, 1e-3);
  EXPECT_NEAR(c.dorsal_mm, 1, 1e-3);
  EXPECT_NEAR(c.distal_mm, 0, 1e-3);
  EXPECT_NEAR(toDegrees(c.turn_rad), 9, 1e-3);
  EXPECT_TRUE(c.moved);
  EXPECT_THAT(english(c.words), HasSubstr("2.0 mm lateral, 1.0 mm dorsal"));
}

TEST(Change, AScrewBacksOutOfItsBoneWhereverThatGoes) {
  Found first, second;
  second.pose = turnAbout(kBase, toRadians(5) * Vec3::UnitY(), Vec3(1, 0, 2));
  second.metal = second.pose;  // it went with its metatarsal
  auto change = changeSince(check(first), check(second), "before");
  ASSERT_TRUE(change);
  EXPECT_FALSE(change->devices[0].moved) << change->devices[0].words;
  EXPECT_NEAR(change->devices[0].backed_out_mm, 0, 1e-3);

  const Vec3 out = (kEntry - kTip).normalized();
  second.metal = second.pose * shifted(2.5 * out.x(), 2.5 * out.y(), 2.5 * out.z());
  change = changeSince(check(first), check(second), "before");
  ASSERT_TRUE(change);
  EXPECT_NEAR(change->devices[0].backed_out_mm, 2.5, 1e-3);
  EXPECT_NEAR(change->devices[0].aside_mm, 0, 1e-3);
  EXPECT_TRUE(change->devices[0].moved);
  EXPECT_EQ(change->devices[0].words, "backed out by 2.5 mm");
}

TEST(Change, InsideTheIntervalNothingIsTold) {
  Found first, second;
  first.within_mm = second.within_mm = 2;
  second.pose = shifted(0, 0, 2.5);
  const auto change = changeSince(check(first), check(second), "before");
  ASSERT_TRUE(change);
  EXPECT_NEAR(change->rays[0].shift_mm, 2.5, 1e-3);
  EXPECT_FALSE(change->rays[0].moved) << "within 2.8 mm";
}

TEST(Change, MetalThatIsNotFoundAnyMoreIsTold) {
  Found gone;
  gone.seen = false;
  const auto change = changeSince(check({}), check(gone), "before");
  ASSERT_TRUE(change);
  ASSERT_EQ(change->devices.size(), 1U);
  EXPECT_TRUE(change->devices[0].moved);
  EXPECT_THAT(english(change->devices[0].words), HasSubstr("not now"));
  EXPECT_FALSE(changeCodec().write(*change)["devices"][0].contains("backed_out_mm"));
}

TEST(Change, WhatDoesNotBelongTogetherIsRefused) {
  Json other = check({});
  other["patient_id"] = "B";
  auto change = changeSince(other, check({}), "before");
  ASSERT_FALSE(change);
  EXPECT_THAT(english(change.error()), HasSubstr("another patient or foot"));
  EXPECT_THAT(english(change.error()), HasSubstr("before"));
  Json old = check({});
  old.erase("frame");
  EXPECT_FALSE(changeSince(old, check({}), "before"));
  Json torn = check({});
  torn["rays"][0].erase("base");
  EXPECT_FALSE(changeSince(torn, check({}), "before"));
  EXPECT_FALSE(changeSince(Json::object(), check({}), "before"));
}

}  // namespace
}  // namespace rayset
