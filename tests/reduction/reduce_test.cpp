// Reduction of feet with known injuries.
#include "reduction/reduce.h"

#include <gtest/gtest.h>
#include <tbb/global_control.h>

#include <algorithm>
#include <atomic>
#include <cmath>
#include <filesystem>

#include "anatomy/frames.h"
#include "anatomy/procedural_foot.h"
#include "base/units.h"
#include "data_files.h"
#include "english.h"
#include "real_feet.h"
#include "reduction/joint_figures.h"
#include "reduction/manoeuvre.h"

namespace rayset {
namespace {

/// Of the people in data/joints.json but `leave_out`.
reduction::JointNorms norms(const std::string& leave_out = {}) {
  return reduction::readJointNorms(test::dataFile("joints.json"), leave_out).value();
}

struct Injury {
  double lateral = 0, dorsal = 0, distal = 0, abduction_deg = 0, plantarflexion_deg = 0, pronation_deg = 0;
};

/// Turn vector with the anatomical senses of displacement.h (small turns).
Rigid injuryTransform(const Injury& i, const Vec3& base, const Frame& f) {
  const double hand = f.distal.cross(f.medial).dot(f.dorsal) > 0 ? 1 : -1;
  const Vec3 turn = hand * (-toRadians(i.abduction_deg) * f.dorsal + toRadians(i.plantarflexion_deg) * f.medial -
                            toRadians(i.pronation_deg) * f.distal);
  return turnAbout(base, turn, -i.lateral * f.medial + i.dorsal * f.dorsal + i.distal * f.distal);
}

const std::array<Injury, 5> kHomolateral{Injury{5, 3, -0.5, 8, 3, 2}, Injury{6, 4, -1, 9, 4, -2},
                                         Injury{6, 3, 0, 9, 2, 3}, Injury{5, 3, -0.5, 8, 3, 3},
                                         Injury{5, 2, -0.5, 8, -2, 3}};
const std::array<Injury, 5> kIsolated{Injury{}, Injury{3.5, 4, -0.5, 5, 4, 2}, Injury{}, Injury{}, Injury{}};

struct Hurt {
  BoneSurfaces injured;
  EachRay<Rigid> intact_to_injured;
  EachRay<Vec3> base;
};

Hurt hurt(const BoneSurfaces& intact, Side side, const std::array<Injury, 5>& injuries) {
  Hurt h{intact, {}, {}};
  const Frame frame = footFrame(intact, side);
  for (const Ray ray : kRays) {
    const Bone m = metatarsal(ray);
    h.base[ray] = metatarsalAxis(intact.at(m), frame.distal).base_point;
    h.intact_to_injured[ray] = injuryTransform(injuries[ray.index()], h.base[ray], frame);
    h.injured.at(m) = transformed(intact.at(m), h.intact_to_injured[ray]);
  }
  return h;
}

struct RayError {
  double mm, deg;
};
RayError rayError(const Hurt& h, const ReductionResult& r, Ray ray) {
  const Rigid E = r.rays.at(ray).injured_to_reduced * h.intact_to_injured[ray];
  return {(E * h.base[ray] - h.base[ray]).norm(), toDegrees(rotationAngle(E.linear()))};
}

BoneSurfaces midfoot(BoneSurfaces bones) {
  std::erase_if(bones, [](const auto& entry) { return label(entry.first) > label(Bone::kCal); });
  return bones;
}

/// Coarse enough to be quick; the same foot serves every test of this file.
const BoneSurfaces& proceduralRight() {
  static const BoneSurfaces bones = midfoot(proceduralFoot({}, Side::kRight, 0.9).bones);
  return bones;
}

TEST(ReduceRays, MirroredTwinOfTheProceduralFootBringsEveryRayBack) {
  const BoneSurfaces& right = proceduralRight();
  BoneSurfaces left = mirrored(right);
  // The other foot lies elsewhere in the scanner, turned.
  const Rigid elsewhere = turnAbout(Vec3(10, 20, 0), Vec3(0.1, -0.2, 0.3), Vec3(150, -12, 8));
  for (auto& [b, s] : left) s = transformed(s, elsewhere);
  const Hurt h = hurt(right, Side::kRight, kHomolateral);
  const auto result = reduceRays(h.injured, Side::kRight, &left, right, norms());
  ASSERT_TRUE(result) << english(result.error());
  EXPECT_EQ(result->method, ReductionMethod::kContralateral);
  EXPECT_EQ(result->order, (std::vector{Ray(2), Ray(1), Ray(3), Ray(4), Ray(5)}));
  EXPECT_LT(result->mirror_residual_mm, 0.1);
  for (const Ray ray : kRays) {
    const RayError e = rayError(h, *result, ray);
    // The joint's evenness has a say beside the twin: at the fifth joint, whose gap is not even, it pulls by 0.4 mm.
    EXPECT_LT(e.mm, ray == 5 ? 0.5 : 0.3) << "ray " << ray.number();
    EXPECT_LT(e.deg, 1.0) << "ray " << ray.number();
    EXPECT_GE(result->rays.at(ray).manoeuvre.size(), 3U);
  }
}

TEST(ReduceRays, AnotherFootsTemplateBringsEveryRayBackByCongruence) {
  // The patient is a foot drawn from the published spread; the template is the mean foot. Bounds: the marks of the
  // issue without the other foot, 0.8 mm on average and 1.8 mm and 4 degrees at worst.
  const BoneSurfaces patient = midfoot(proceduralFoot(randomShape(1), Side::kRight, 0.9).bones);
  const Hurt h = hurt(patient, Side::kRight, kHomolateral);
  const auto result = reduceRays(h.injured, Side::kRight, nullptr, proceduralRight(), norms());
  ASSERT_TRUE(result) << english(result.error());
  EXPECT_EQ(result->method, ReductionMethod::kCongruence);
  EXPECT_EQ(result->mirror_residual_mm, 0);
  double sum_mm = 0;
  for (const Ray ray : kRays) {
    const RayError e = rayError(h, *result, ray);
    sum_mm += e.mm;
    EXPECT_LT(e.mm, 1.8) << "ray " << ray.number();
    EXPECT_LT(e.deg, 4) << "ray " << ray.number();
    EXPECT_LT(e.mm, result->rays.at(ray).uncertainty_mm) << "ray " << ray.number();
  }
  EXPECT_LT(sum_mm / 5, 0.8);
}

TEST(ReduceRays, UninjuredFootStaysAndIsSaidToBeInPlace) {
  const BoneSurfaces patient = midfoot(proceduralFoot(randomShape(2), Side::kLeft, 0.9).bones);
  const auto result = reduceRays(patient, Side::kLeft, nullptr, mirrored(proceduralRight()), norms());
  ASSERT_TRUE(result) << english(result.error());
  EXPECT_EQ(result->rays.size(), kRays.size());
  for (const auto& [ray, r] : result->rays) {
    EXPECT_LT(r.injured_to_reduced.translation().norm(), 1e-9);
    ASSERT_EQ(r.manoeuvre.size(), 1U);
    EXPECT_NE(english(r.manoeuvre[0]).find("already in place"), std::string::npos);
    EXPECT_GT(r.uncertainty_mm, 0);
  }
}

TEST(ReduceRays, MissingBonesAreNamedAndTheRestGoesOn) {
  BoneSurfaces bones = proceduralRight();
  bones.erase(Bone::kM3);
  bones.erase(Bone::kCub);
  const auto result = reduceRays(bones, Side::kRight, nullptr, proceduralRight(), norms());
  ASSERT_TRUE(result) << english(result.error());
  std::vector<Ray> placed;
  for (const auto& [ray, r] : result->rays) placed.push_back(ray);
  EXPECT_EQ(placed, (std::vector{Ray(1), Ray(2)}));
  std::string all;
  for (const auto& c : result->cautions) all += english(c) + "\n";
  for (const char* id : {"M3", "Cub"}) EXPECT_NE(all.find(id), std::string::npos) << all;
}

TEST(ReduceRays, AStepLeftAtTheSecondJointIsTold) {
  const BoneSurfaces bones = proceduralRight();
  const auto level = reduceRays(bones, Side::kRight, nullptr, proceduralRight(), norms());
  ASSERT_TRUE(level) << english(level.error());
  const auto tells = [](const ReductionResult& r, const char* text) {
    return std::any_of(r.cautions.begin(), r.cautions.end(),
                       [text](const Message& c) { return english(c).find(text) != std::string::npos; });
  };
  EXPECT_FALSE(tells(*level, "dorsal step"));
  RayOverrides by_hand;
  by_hand[Ray(2)].pose = Rigid(Eigen::Translation3d(3.0 * level->frame.dorsal));
  by_hand[Ray(4)].pose = Rigid(Eigen::Translation3d(3.0 * level->frame.dorsal));
  const auto stepped = reduceRays(bones, Side::kRight, nullptr, proceduralRight(), norms(), {}, by_hand);
  ASSERT_TRUE(stepped) << english(stepped.error());
  EXPECT_NEAR(stepped->rays.at(Ray(2)).joint.step_mm - level->rays.at(Ray(2)).joint.step_mm, 3.0, 0.3);
  EXPECT_TRUE(tells(*stepped, "is left between C2 and M2"));
  EXPECT_FALSE(tells(*stepped, "Cub and M4"));  // the cuboid's dorsum slopes there in every foot
}

TEST(ReduceRays, WithoutATarsusItSaysSo) {
  BoneSurfaces bones = proceduralRight();
  for (const Bone b : {Bone::kC1, Bone::kC2, Bone::kC3}) bones.erase(b);
  const auto result = reduceRays(bones, Side::kRight, nullptr, proceduralRight(), norms());
  ASSERT_FALSE(result);
  EXPECT_EQ(result.error().fault, Fault::kImages);
  EXPECT_FALSE(english(result.error().remedy).empty());
}

TEST(ReduceRays, AnInjuredOtherFootIsRefusedAsPattern) {
  const Hurt h = hurt(proceduralRight(), Side::kRight, kHomolateral);
  const BoneSurfaces other = mirrored(h.injured);
  const auto result = reduceRays(h.injured, Side::kRight, &other, proceduralRight(), norms());
  ASSERT_TRUE(result) << english(result.error());
  EXPECT_EQ(result->method, ReductionMethod::kCongruence);
  ASSERT_FALSE(result->cautions.empty());
  EXPECT_NE(english(result->cautions[0]).find("not used as a pattern"), std::string::npos);
}

TEST(ReduceRays, SameResultOnOneThread) {
  const Hurt h = hurt(proceduralRight(), Side::kRight, kIsolated);
  const auto many = reduceRays(h.injured, Side::kRight, nullptr, proceduralRight(), norms());
  const tbb::global_control one(tbb::global_control::max_allowed_parallelism, 1);
  const auto single = reduceRays(h.injured, Side::kRight, nullptr, proceduralRight(), norms());
  ASSERT_TRUE(many && single);
  for (const Ray ray : kRays)
    EXPECT_TRUE(many->rays.at(ray).injured_to_reduced.matrix() == single->rays.at(ray).injured_to_reduced.matrix());
}

TEST(ReduceRays, StopsWhenAsked) {
  std::atomic<bool> stop{true};
  Progress progress;
  progress.stop = &stop;
  const auto result = reduceRays(proceduralRight(), Side::kRight, nullptr, proceduralRight(), norms(), progress);
  ASSERT_FALSE(result);
  EXPECT_EQ(result.error().fault, Fault::kCancelled);
}

/// Bones of `scene` less those whose folder is missing.
std::optional<BoneSurfaces> realFoot(const std::filesystem::path& folder) {
  const auto path = std::filesystem::path(RAYSET_FEET_DIR) / folder;
  if (!std::filesystem::exists(path)) return std::nullopt;
  auto bones = readBoneFolder(path);
  if (!bones) return std::nullopt;
  return midfoot(std::move(*bones));
}

TEST(ReduceRealFeet, TheOtherFootBringsThePairBack) {
  const auto right = realFoot("vsd-z027/right"), left = realFoot("vsd-z027/left");
  if (!right || !left) GTEST_SKIP() << "real feet are not on this machine";
  const Hurt h = hurt(*right, Side::kRight, kHomolateral);
  const auto result = reduceRays(h.injured, Side::kRight, &*left, proceduralRight(), norms());
  ASSERT_TRUE(result) << english(result.error());
  ASSERT_EQ(result->method, ReductionMethod::kContralateral);
  double sum_mm = 0, sum_deg = 0;
  for (const Ray ray : kRays) {
    const RayError e = rayError(h, *result, ray);
    sum_mm += e.mm / 5;
    sum_deg += e.deg / 5;
    EXPECT_LT(e.mm, 1.5) << "ray " << ray.number();
  }
  EXPECT_LT(sum_mm, 0.7);
  // The rays of this pair stand 5 degrees apart on average; the mark of 1.5 degrees is not met on displaced rays.
  EXPECT_LT(sum_deg, 4.5);
}

TEST(ReduceRealFeet, CongruenceWithThePersonLeftOut) {
  double sum_mm = 0, sum_deg = 0, rays = 0;
  for (const bench::RealFoot& foot : bench::kRealFeet) {
    const auto bones = realFoot(foot.folder(""));
    if (!bones) GTEST_SKIP() << "real feet are not on this machine";
    const Side side = sideFromAnatomy(*bones).value_or(Side::kRight);
    const Hurt h = hurt(*bones, side, kHomolateral);
    const auto result =
        reduceRays(h.injured, side, nullptr, side == Side::kRight ? proceduralRight() : mirrored(proceduralRight()),
                   norms(std::string(foot.person)));
    ASSERT_TRUE(result) << english(result.error());
    for (const Ray ray : kRays) {
      const RayError e = rayError(h, *result, ray);
      sum_mm += e.mm;
      sum_deg += e.deg;
      rays += 1;
    }
  }
  // Measured bounds: the marks (1.0 mm, 3 degrees) are not met yet, docs/decisions/reduction.md.
  EXPECT_LT(sum_mm / rays, 1.2);
  EXPECT_LT(sum_deg / rays, 4.8);
}

TEST(ReduceRealFeet, UninjuredFeetStayWithThePersonLeftOut) {
  for (const bench::RealFoot& foot : bench::kRealFeet) {
    const auto bones = realFoot(foot.folder(""));
    if (!bones) GTEST_SKIP() << "real feet are not on this machine";
    const Side side = sideFromAnatomy(*bones).value_or(Side::kRight);
    const auto result =
        reduceRays(*bones, side, nullptr, side == Side::kRight ? proceduralRight() : mirrored(proceduralRight()),
                   norms(std::string(foot.person)));
    ASSERT_TRUE(result) << english(result.error());
    for (const auto& [ray, r] : result->rays)
      EXPECT_TRUE(r.injured_to_reduced.matrix() == Rigid::Identity().matrix())
          << foot.name() << " ray " << ray.number();
  }
}

TEST(ReduceRealFeet, AFirstRayMovedAloneIsPutBackOrDoubtedWithThePersonLeftOut) {
  for (const bench::RealFoot& foot : bench::kRealFeet) {
    const auto bones = realFoot(foot.folder(""));
    if (!bones) GTEST_SKIP() << "real feet are not on this machine";
    const Side side = sideFromAnatomy(*bones).value_or(Side::kRight);
    for (const Injury& injury : {Injury{-4, 2, 0, -5}, Injury{-3}}) {
      const Hurt h = hurt(*bones, side, {injury});
      const auto result =
          reduceRays(h.injured, side, nullptr, side == Side::kRight ? proceduralRight() : mirrored(proceduralRight()),
                     norms(std::string(foot.person)));
      ASSERT_TRUE(result) << english(result.error());
      const RayReduction& first = result->rays.at(Ray(1));
      const bool put_back = rayError(h, *result, Ray(1)).mm < 2;
      EXPECT_TRUE(put_back || !first.doubt.empty()) << foot.name() << " by " << injury.lateral << " mm";
      if (injury.lateral < -3.5) {
        EXPECT_TRUE(put_back && first.doubt.empty()) << foot.name() << ": " << first.doubt;
      }
      for (const Ray ray : {Ray(2), Ray(3), Ray(4), Ray(5)}) {
        EXPECT_TRUE(result->rays.at(ray).injured_to_reduced.matrix() == Rigid::Identity().matrix())
            << foot.name() << " ray " << ray.number();
        EXPECT_EQ(result->rays.at(ray).doubt, "") << foot.name() << " ray " << ray.number();
      }
    }
  }
}

TEST(Manoeuvre, UndoesTheInjuryInOrder) {
  Frame f;  // right foot, standing
  const Vec3 base(0, 0, 0);
  const Rigid X = injuryTransform({5, 3, -2, 8, 0, 0}, base, f).inverse();
  const reduction::Movement m = reduction::movementOf(X, base, f);
  EXPECT_LT(m.lateral_mm, -4);
  EXPECT_LT(m.dorsal_mm, -2.5);
  EXPECT_GT(m.distal_mm, 1);
  EXPECT_NEAR(toDegrees(m.abduction_rad), -8, 0.1);
  const auto steps = reduction::manoeuvre(Ray(2), m, 3, false);
  ASSERT_GE(steps.size(), 5U);
  EXPECT_NE(english(steps[0]).find("traction"), std::string::npos);
  EXPECT_NE(english(steps[1]).find("adduct the head by 8 degrees"), std::string::npos);
  EXPECT_NE(english(steps[2]).find("medially"), std::string::npos);
  EXPECT_NE(english(steps[3]).find("plantarward"), std::string::npos);
  EXPECT_NE(english(steps.back()).find("compress"), std::string::npos);

  // Where it cannot be told whether the ray is displaced, nothing is moved before it was stressed.
  const auto careful = reduction::manoeuvre(Ray(2), m, 3, false, false);
  ASSERT_EQ(careful.size(), steps.size() + 1);
  EXPECT_NE(english(careful[0]).find("stress the second ray"), std::string::npos);
  EXPECT_EQ(std::vector<Message>(careful.begin() + 1, careful.end()), steps);
  const auto left = reduction::manoeuvre(Ray(4), {}, 0, true, false);
  ASSERT_EQ(left.size(), 1U);
  EXPECT_NE(english(left[0]).find("leave: stress the fourth ray"), std::string::npos);
  EXPECT_EQ(english(left[0]).find("in place"), std::string::npos);
}

}  // namespace
}  // namespace rayset
