// Whole invented patients: what truth.json says is what was scanned.
#include "phantom/patient.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <filesystem>
#include <fstream>

#include "anatomy/frames.h"
#include "anatomy/procedural_foot.h"
#include "base/units.h"
#include "english.h"
#include "phantom/truth.h"

namespace rayset {
namespace {

PatientRequest coarse() {
  PatientRequest r;
  r.detail_mm = 1.0;
  r.scan.pixel_mm = r.scan.slice_mm = 1.5;
  r.scan.blur_fwhm_mm = 1.5;
  return r;
}

Rigid rigidFrom(const nlohmann::ordered_json& rows) {
  Rigid X = Rigid::Identity();
  for (int r = 0; r < 4; ++r)
    for (int c = 0; c < 4; ++c)
      X.matrix()(r, c) = rows[static_cast<std::size_t>(r)][static_cast<std::size_t>(c)].get<double>();
  return X;
}

TEST(Patient, TruthIsWhatWasScanned) {
  PatientRequest request = coarse();
  request.injury = "lateral-partial";
  request.fragment = BaseFragment::kShear;
  request.other = OtherFoot::kSameScan;
  request.side = Side::kLeft;
  const auto patient = makePatient(request);
  ASSERT_TRUE(patient) << english(patient.error());
  const auto truth = truthJson(*patient, false);
  EXPECT_EQ(truth["side"], "left");
  EXPECT_EQ(truth["patterns"]["myerson"], "B2");
  EXPECT_TRUE(truth["patterns"]["quenu_kuss"].is_null());
  ASSERT_EQ(truth["rays"].size(), 5U);
  for (const auto& ray : truth["rays"]) {
    const Bone bone = metatarsal(Ray(ray["ray"].get<int>()));
    EXPECT_EQ(ray["displaced"].get<bool>(), ray["ray"] != 1);
    if (bone == Bone::kM2) continue;  // broken: other vertices
    const Rigid back = rigidFrom(ray["injured_to_reduced"]);
    const Surface& scanned = patient->foot.injured.at(bone);
    const Surface& intact = patient->foot.intact.at(bone);
    for (std::size_t n = 0; n < scanned.vertices.size(); n += 50)
      EXPECT_LT((back * scanned.vertices[n] - intact.vertices[n]).norm(), 1e-4);
  }
  ASSERT_EQ(truth["fragments"].size(), 1U);
  EXPECT_EQ(truth["fragments"][0]["id"], "M2.1");
  for (const auto& bone : truth["bones"]) EXPECT_TRUE(bone["complete"].get<bool>()) << bone["id"];
  // The scan shows bone inside the scanned bones: their middles are not air, the cortex is bright.
  for (const Bone bone : {Bone::kM1, Bone::kC1, Bone::kCal, Bone::kTal}) {
    double brightest = -1000;
    for (const OrientedPoint& p : sampleEvenly(patient->foot.injured.at(bone), 200))
      brightest = std::max(brightest, sampleLinear(patient->ct, Vec3(p.position - 0.5 * p.normal), -1000));
    EXPECT_GT(brightest, 350) << boneId(bone);
  }
  // The other foot is of the other side, intact, well apart.
  EXPECT_EQ(sideFromAnatomy(patient->other_bones), Side::kRight);
  double injured_reach = -1e9, other_reach = 1e9;
  for (const auto& [bone, surface] : patient->foot.intact)
    for (const Vec3& v : surface.vertices) injured_reach = std::max(injured_reach, v.dot(patient->foot.frame.medial));
  for (const auto& [bone, surface] : patient->other_bones) {
    EXPECT_NEAR(volume(surface) / volume(patient->foot.intact.at(bone)), 1, 1e-6);
    for (const Vec3& v : surface.vertices) other_reach = std::min(other_reach, v.dot(patient->foot.frame.medial));
  }
  EXPECT_NEAR(other_reach - injured_reach, 45, 1e-6);
}

TEST(Patient, OtherFootLiesALittleDifferently) {
  const Foot foot = proceduralFoot({}, Side::kRight, 1.0);
  const Frame frame = footFrame(foot.bones, Side::kRight);
  const BoneSurfaces other = otherFootBeside(foot.bones, frame, Side::kRight);
  const Frame other_frame = footFrame(other, Side::kLeft);
  const double turned = toDegrees(std::acos(std::clamp(frame.distal.dot(other_frame.distal), -1.0, 1.0)));
  EXPECT_GT(turned, 2);
  EXPECT_LT(turned, 12);
  EXPECT_GT(other_frame.distal.dot(frame.medial), 0) << "toes turn out, away from the injured foot";
}

TEST(Patient, CropLeavesTheHindfootIncomplete) {
  PatientRequest request = coarse();
  request.injury = "none";
  request.scan.proximal_crop_mm = 30;
  const auto patient = makePatient(request);
  ASSERT_TRUE(patient) << english(patient.error());
  const auto truth = truthJson(*patient, false);
  EXPECT_TRUE(truth["other"].is_null());
  EXPECT_EQ(truth["patterns"]["quenu_kuss"], "none");
  for (const auto& bone : truth["bones"]) {
    if (bone["id"] == "Cal") {
      EXPECT_FALSE(bone["complete"].get<bool>());
    } else if (bone["id"] == "C2" || bone["id"] == "M3") {
      EXPECT_TRUE(bone["complete"].get<bool>());
    }
  }
}

TEST(Patient, WrongRequestsAreNamed) {
  PatientRequest request = coarse();
  request.injury = "sideways";
  auto patient = makePatient(request);
  ASSERT_FALSE(patient);
  EXPECT_EQ(patient.error().fault, Fault::kRequest);
  EXPECT_THAT(english(patient.error()), testing::HasSubstr("medial-partial"));
  request.injury = "random:x";
  EXPECT_FALSE(makePatient(request));
  request = coarse();
  request.bones = "/nonexistent";
  EXPECT_FALSE(makePatient(request));
  request = coarse();
  request.other_bones = "/nonexistent";
  EXPECT_FALSE(makePatient(request));
}

TEST(Patient, RealBonesKnowTheirSide) {
  const std::filesystem::path folder = std::filesystem::path(RAYSET_FEET_DIR) / "vsd-z027/left";
  if (!std::filesystem::is_directory(folder)) GTEST_SKIP() << "no real feet at hand";
  PatientRequest request = coarse();
  request.bones = folder;
  request.side = Side::kRight;
  const auto wrong = makePatient(request);
  ASSERT_FALSE(wrong);
  EXPECT_THAT(english(wrong.error()), testing::HasSubstr("left foot"));
}

TEST(Patient, SurfacesAndTruthAreWritten) {
  PatientRequest request = coarse();
  request.injury = "isolated";
  request.scan.pixel_mm = request.scan.slice_mm = 3;
  request.scan.blur_fwhm_mm = 3;
  const auto patient = makePatient(request);
  ASSERT_TRUE(patient) << english(patient.error());
  const std::filesystem::path folder = std::filesystem::path(testing::TempDir()) / "rayset_patient_test";
  std::filesystem::remove_all(folder);
  std::filesystem::create_directories(folder);
  ASSERT_TRUE(writeTruth(folder, *patient, true));
  const auto truth = nlohmann::ordered_json::parse(std::ifstream(folder / "truth.json"));
  EXPECT_EQ(truth["schema"], "rayset.truth/1");
  const auto intact = readStl(folder / truth["surfaces"]["intact"].get<std::string>() / "M1.stl");
  const auto injured = readStl(folder / truth["surfaces"]["injured"].get<std::string>() / "M1.stl");
  ASSERT_TRUE(intact);
  ASSERT_TRUE(injured);
  EXPECT_NEAR(volume(*intact) / volume(patient->foot.intact.at(Bone::kM1)), 1, 1e-3);
  const Vec3 moved = centroid(*injured) - centroid(*intact);
  EXPECT_GT(moved.norm(), 3);
  std::filesystem::remove_all(folder);
  EXPECT_FALSE(writeTruth("/nonexistent/folder", *patient, false));
}

TEST(Patient, CastStapleKernelAndContactAreScannedAndWrittenDown) {
  PatientRequest request = coarse();
  request.scan.noise_hu = 0;
  request.other = OtherFoot::kSameScan;
  request.scan.cast.thickness_mm = 8;
  request.scan.kernel = ReconstructionKernel::kSharp;
  request.staple = Bone::kCal;
  request.contacts = {{Bone::kM1, Bone::kC1}};
  const auto patient = makePatient(request);
  ASSERT_TRUE(patient) << english(patient.error());
  const auto truth = truthJson(*patient, false);
  EXPECT_EQ(truth["scan"]["kernel"], "sharp");
  EXPECT_EQ(truth["scan"]["cast_mm"], 8);
  EXPECT_EQ(truth["scan"]["staples"].size(), 1U);
  EXPECT_EQ(truth["contacts"][0], "M1-C1");
  const Frame& frame = patient->foot.frame;
  /// How many mm of plaster lie on the way out of a point.
  const auto plaster = [&](const Vec3& from, const Vec3& way, double begin) {
    double mm = 0;
    for (double t = begin; t < begin + 60; t += 0.5) {
      const double hu = sampleLinear(patient->ct, Vec3(from + t * way), -1000);
      mm += hu > 250 && hu < 800 ? 0.5 : 0;
    }
    return mm;
  };
  const Vec3 c2 = centroid(patient->foot.injured.at(Bone::kC2)),
             other_c2 = centroid(patient->other_bones.at(Bone::kC2));
  EXPECT_NEAR(plaster(c2, frame.dorsal, 18), 8, 2.5);
  EXPECT_NEAR(plaster(c2, frame.plantar(), 25), 8, 6);
  EXPECT_EQ(plaster(other_c2, frame.dorsal, 18), 0) << "the other foot wears none";
  double toes = -1e9;
  for (const Vec3& v : patient->foot.injured.at(Bone::kToes).vertices)
    toes = std::max(toes, (v - c2).dot(frame.distal));
  EXPECT_EQ(plaster(c2 + (toes + 2) * frame.distal, frame.distal, 0), 0) << "open at the toes";
  const Staple& staple = patient->scan.staples.front();
  EXPECT_GT(sampleLinear(patient->ct, Vec3(staple.a + 0.5 * staple.leg_mm * staple.into), 0), 2500);
}

}  // namespace
}  // namespace rayset
