// verification.json as a table: read back it is the same, what it refuses, and that its schema is current.
#include "outcome/verification_codec.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "english.h"
#include "text_file.h"

namespace rayset {
namespace {

namespace fs = std::filesystem;
using codec::Json;
using testing::HasSubstr;

CheckRecord check(bool films) {
  CheckRecord c;
  c.patient_id = "A";
  c.verdict = Outcome::kAcceptable;
  c.date = "2026-02-01";
  c.frame.medial = Vec3::UnitX();
  c.frame.distal = Vec3::UnitY();
  c.frame.dorsal = Vec3::UnitZ();
  CheckedRay ray;
  ray.found.ray = Ray(2);
  ray.found.verdict = Outcome::kAcceptable;
  ray.found.shift_mm = 1.234;
  ray.found.turn_rad = 0.1;  // 5.73 degrees
  ray.found.weakest = Vec3(1, 1, 1).normalized();
  ray.found.doubt = "the 95 % interval reaches over a limit";
  if (films) {
    FilmOutcome film;
    film.file = "a.dcm";
    film.view = "lateral";
    film.similarity = 0.5;
    c.films.push_back(film);
    ray.in_plane = CheckedRay::InPlane{1, 0.5};
    ray.similarity = 0.8126;
  } else {
    c.ct = "CT";
    ray.rms_mm = 0.25;
  }
  c.rays.push_back(ray);
  CheckedDevice seen;
  seen.found.id = "S2";
  seen.found.seen = true;
  seen.found.entry = {1, 2, 3.004};
  seen.found.gap_mm = 3;
  seen.through = {"M2", "C2"};
  if (films) seen.similarity = 0.5;
  CheckedDevice not_seen;
  not_seen.found.id = "S1";
  not_seen.found.warnings = {"not found on the images"};
  not_seen.through = {"M1"};
  c.devices = {seen, not_seen};
  Measure m;
  m.key = "arch_height";
  m.name = "Arch height";
  m.unit = "mm";
  c.measures = {m};
  Change since;
  RayChange ray_since;
  ray_since.ray = Ray(2);
  ray_since.shift_mm = 1;
  ray_since.words = "no change told";
  since.rays = {ray_since};
  DeviceChange gone, deeper;
  gone.id = "S1";
  gone.moved = true;
  gone.words = "not now";
  deeper.id = "S2";
  deeper.seen = true;
  deeper.backed_out_mm = -1;
  deeper.words = "deeper";
  since.devices = {gone, deeper};
  c.since = since;
  return c;
}

TEST(VerificationCodec, WhatIsWrittenIsReadBack) {
  for (const bool films : {true, false}) {
    const Json j = checkCodec().write(check(films));
    EXPECT_EQ(j["rays"][0]["turn_deg"]["total"], 5.73);
    EXPECT_EQ(j["rays"][0].contains("rms_mm"), !films);
    EXPECT_FALSE(j["devices"][1].contains("entry"));
    EXPECT_FALSE(j["since"]["devices"][0].contains("broke"));
    const auto back = codec::decode(checkCodec(), j, "it", "here", "");
    ASSERT_TRUE(back) << english(back.error());
    EXPECT_EQ(checkCodec().write(*back), j);
  }
}

TEST(VerificationCodec, WhatAComparisonNeedsMustBeThere) {
  const auto without = [](const char* pointer) {
    Json j = checkCodec().write(check(true));
    const Json::json_pointer at(pointer);
    j[at.parent_pointer()].erase(at.back());
    const auto back = codec::decode(checkCodec(), j, "it", "here", "");
    return back ? std::string("taken") : english(back.error());
  };
  EXPECT_THAT(without("/rays/0/base"), HasSubstr("/rays/2/base is missing"));
  EXPECT_THAT(without("/rays/0/uncertainty/mm"), HasSubstr("/rays/2/uncertainty/mm is missing"));
  EXPECT_THAT(without("/devices/0/tip"), HasSubstr("/devices/S2/tip is missing"));
  EXPECT_THAT(without("/devices/0/uncertainty"), HasSubstr("/devices/S2/uncertainty is missing"));
  EXPECT_EQ(without("/devices/0/from_plan"), "taken");
  EXPECT_EQ(without("/verdict"), "taken");
  Json j = checkCodec().write(check(true));
  j["devices"][1]["through"] = Json::array();
  EXPECT_THAT(english(codec::decode(checkCodec(), j, "it", "here", "").error()),
              HasSubstr("/devices/S1/through names no bone"));
}

/// RAYSET_WRITE_DOCS=1 writes it anew.
TEST(VerificationCodec, TheSchemaIsCurrent) {
  test::expectCurrent(fs::path(RAYSET_DATA_DIR) / "schema/verification.schema.json", verificationSchemaText());
}

}  // namespace
}  // namespace rayset
