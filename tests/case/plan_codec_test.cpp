// plan.json as a table: what it refuses, what older files may lack, and that its schema is current.
#include "case/plan_codec.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "case/plan_record.h"
#include "english.h"
#include "text_file.h"

namespace rayset {
namespace {

namespace fs = std::filesystem;
using codec::Json;
using testing::HasSubstr;

Device screw() {
  Device d;
  d.id = "S2";
  d.type = "screw-3.5-cortex";
  d.kind = DeviceKind::kScrew;
  d.stage = DeviceStage::kDefinitive;
  d.ray = Ray(2);
  d.through = {"M2", "C2"};
  d.entry = {1.0004, 2, -3};
  d.tip = {1, 2, -39};
  d.direction = {0, 0, -1};
  d.diameter_mm = 3.5;
  d.length_mm = 36;
  d.measured_depth_mm = 36.449;
  d.checks.angle_to_shaft_rad = 0.5;  // 28.65 degrees
  return d;
}

TEST(PlanCodec, ADeviceIsWrittenRoundedInDegreesAndReadBack) {
  const Json j = deviceJson(screw());
  EXPECT_EQ(j["entry"], Json({1.0, 2.0, -3.0}));
  EXPECT_EQ(j["measured_depth_mm"], 36.4);
  EXPECT_EQ(j["checks"]["angle_to_shaft_deg"], 28.6);
  const auto back = deviceFromJson(j, "here");
  ASSERT_TRUE(back) << english(back.error());
  EXPECT_EQ(deviceJson(*back), j);
  EXPECT_NEAR(back->checks.angle_to_shaft_rad, 28.6 / 180 * 3.14159265358979, 1e-12);
}

TEST(PlanCodec, AFieldThatIsWrongIsNamed) {
  const auto with = [](const std::function<void(Json&)>& change) {
    Json j = deviceJson(screw());
    change(j);
    const auto d = deviceFromJson(j, "the file");
    return d ? std::string("taken") : english(d.error());
  };
  EXPECT_THAT(with([](Json& j) { j.erase("entry"); }), HasSubstr("/entry is missing"));
  EXPECT_THAT(with([](Json& j) { j["entry"] = {1, 2}; }), HasSubstr("/entry is not a point of three numbers"));
  EXPECT_THAT(with([](Json& j) { j["direction"] = {0, 0, 2}; }), HasSubstr("/direction is not of unit length"));
  EXPECT_THAT(with([](Json& j) { j["kind"] = "nail"; }), HasSubstr("/kind is none of screw, wire"));
  EXPECT_THAT(with([](Json& j) { j["ray"] = 6; }), HasSubstr("/ray is not 1 to 5"));
  EXPECT_THAT(with([](Json& j) { j["through"] = "M2"; }), HasSubstr("/through is not a list"));
  EXPECT_THAT(with([](Json& j) { j["checks"]["mean_hu"] = "dense"; }), HasSubstr("/checks/mean_hu is not a number"));
  // Written by an earlier version: the struct's own value.
  EXPECT_EQ(with([](Json& j) { j["checks"].erase("surface_error_mm"); }), "taken");
}

TEST(PlanCodec, AMatrixThatIsNotRigidIsRefused) {
  Json j = codec::Json::array({{1, 0, 0, 5}, {0, 1, 0, 6}, {0, 0, 1, 7}, {0, 0, 0, 1}});
  const auto X = rigidFromJson(j, "m");
  ASSERT_TRUE(X);
  EXPECT_EQ(X->translation(), Vec3(5, 6, 7));
  j[0][0] = 1.001;
  EXPECT_THAT(english(rigidFromJson(j, "m").error()), HasSubstr("is no rigid transform"));
  j[0][0] = -1;  // mirrors
  EXPECT_FALSE(rigidFromJson(j, "m"));
}

TEST(Codec, ANameHasOneMeaningAndWhatIsPickedMustBeThere) {
  codec::Definitions all = planCodec().definitions;
  const std::size_t many = all.size();
  codec::addTo(all, deviceCodec().definitions);
  EXPECT_EQ(all.size(), many) << "the same kinds";
  EXPECT_THROW(codec::addTo(all, {{"Device", {}, "number"}, {"DeviceRecord", {}, "number"}}), std::logic_error);
  const auto picked = codec::pick(deviceFields(), {"tip", "id"});
  ASSERT_EQ(picked.size(), 2U);
  EXPECT_EQ(picked[0].key, "id") << "in the table's order";
  EXPECT_THROW(static_cast<void>(codec::pick(deviceFields(), {"id", "colour"})), std::logic_error);
}

/// RAYSET_WRITE_DOCS=1 writes them anew.
TEST(PlanCodec, TheSchemaIsCurrent) {
  test::expectCurrent(fs::path(RAYSET_DATA_DIR) / "schema/plan.schema.json", planSchemaText());
}

}  // namespace
}  // namespace rayset
