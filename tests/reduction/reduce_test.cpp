// Reduction of feet with known injuries.
#include "reduction/reduce.h"

#include <gtest/gtest.h>

#include <atomic>
#include <cmath>
#include <filesystem>

#include "anatomy/frames.h"
#include "anatomy/procedural_foot.h"
#include "base/units.h"

namespace rayset {
namespace {

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

struct Hurt {
  BoneSurfaces injured;
  std::array<Rigid, 5> intact_to_injured;
  std::array<Vec3, 5> base;
};

Hurt hurt(const BoneSurfaces& intact, Side side, const std::array<Injury, 5>& injuries) {
  Hurt h{intact, {}, {}};
  const Frame frame = footFrame(intact, side);
  for (int ray = 1; ray <= 5; ++ray) {
    const auto k = static_cast<std::size_t>(ray - 1);
    const Bone m = metatarsal(ray);
    h.intact_to_injured[k] = Rigid::Identity();
    if (!intact.contains(m)) continue;
    h.base[k] = metatarsalAxis(intact.at(m), frame.distal).base_point;
    h.intact_to_injured[k] = injuryTransform(injuries[k], h.base[k], frame);
    h.injured.at(m) = transformed(intact.at(m), h.intact_to_injured[k]);
  }
  return h;
}

struct RayError {
  double mm, deg;
};
RayError rayError(const Hurt& h, const ReductionResult& r, int ray) {
  const auto k = static_cast<std::size_t>(ray - 1);
  const Rigid E = r.rays[k].injured_to_reduced * h.intact_to_injured[k];
  return {(E * h.base[k] - h.base[k]).norm(), toDegrees(rotationAngle(E.linear()))};
}

/// Coarse enough to be quick; the same foot serves every test of this file.
const BoneSurfaces& proceduralRight() {
  static const BoneSurfaces bones = [] {
    BoneSurfaces keep;
    for (auto& [b, s] : proceduralFoot({}, Side::kRight, 0.9).bones)
      if (label(b) <= label(Bone::kCal)) keep.emplace(b, std::move(s));
    return keep;
  }();
  return bones;
}

TEST(ReduceRays, MirroredTwinOfTheProceduralFootBringsEveryRayBack) {
  const BoneSurfaces& right = proceduralRight();
  BoneSurfaces left = mirrored(right);
  // The other foot lies elsewhere in the scanner, turned.
  const Rigid elsewhere = turnAbout(Vec3(10, 20, 0), Vec3(0.1, -0.2, 0.3), Vec3(150, -12, 8));
  for (auto& [b, s] : left) s = transformed(s, elsewhere);
  const Hurt h = hurt(right, Side::kRight, kHomolateral);
  const auto result = reduceRays(h.injured, Side::kRight, &left, right);
  ASSERT_TRUE(result) << result.error().message();
  EXPECT_EQ(result->method, ReductionMethod::kContralateral);
  EXPECT_EQ(result->order, (std::vector<int>{2, 1, 3, 4, 5}));
  EXPECT_LT(result->mirror_residual_mm, 0.1);
  for (int ray = 1; ray <= 5; ++ray) {
    const RayError e = rayError(h, *result, ray);
    EXPECT_LT(e.mm, 0.3) << "ray " << ray;
    EXPECT_LT(e.deg, 1.0) << "ray " << ray;
    EXPECT_GE(result->rays[static_cast<std::size_t>(ray - 1)].manoeuvre.size(), 3U);
  }
}

TEST(ReduceRays, OwnTemplateBringsEveryRayBackByCongruence) {
  const BoneSurfaces& right = proceduralRight();
  const Hurt h = hurt(right, Side::kRight, kHomolateral);
  const auto result = reduceRays(h.injured, Side::kRight, nullptr, right);
  ASSERT_TRUE(result) << result.error().message();
  EXPECT_EQ(result->method, ReductionMethod::kCongruence);
  EXPECT_EQ(result->mirror_residual_mm, 0);
  for (int ray = 1; ray <= 5; ++ray) {
    const RayError e = rayError(h, *result, ray);
    EXPECT_LT(e.mm, 0.6) << "ray " << ray;
    EXPECT_LT(e.deg, 2.5) << "ray " << ray;
  }
}

TEST(ReduceRays, UninjuredFootStaysAndIsSaidToBeInPlace) {
  const BoneSurfaces& right = proceduralRight();
  const auto result = reduceRays(right, Side::kRight, nullptr, right);
  ASSERT_TRUE(result) << result.error().message();
  for (const RayReduction& r : result->rays) {
    ASSERT_NE(r.ray, 0);
    EXPECT_LT(r.injured_to_reduced.translation().norm(), 1e-9);
    ASSERT_EQ(r.manoeuvre.size(), 1U);
    EXPECT_NE(r.manoeuvre[0].find("already in place"), std::string::npos);
  }
}

TEST(ReduceRays, MissingBonesAreNamedAndTheRestGoesOn) {
  BoneSurfaces bones = proceduralRight();
  bones.erase(Bone::kM3);
  bones.erase(Bone::kCub);
  const auto result = reduceRays(bones, Side::kRight, nullptr, proceduralRight());
  ASSERT_TRUE(result) << result.error().message();
  EXPECT_EQ(result->rays[0].ray, 1);
  EXPECT_EQ(result->rays[1].ray, 2);
  EXPECT_EQ(result->rays[2].ray, 0);
  EXPECT_EQ(result->rays[3].ray, 0);
  EXPECT_EQ(result->rays[4].ray, 0);
  std::string all;
  for (const auto& c : result->cautions) all += c + "\n";
  for (const char* id : {"M3", "Cub"}) EXPECT_NE(all.find(id), std::string::npos) << all;
}

TEST(ReduceRays, WithoutATarsusItSaysSo) {
  BoneSurfaces bones = proceduralRight();
  for (const Bone b : {Bone::kC1, Bone::kC2, Bone::kC3}) bones.erase(b);
  const auto result = reduceRays(bones, Side::kRight, nullptr, proceduralRight());
  ASSERT_FALSE(result);
  EXPECT_EQ(result.error().fault, Fault::kImages);
  EXPECT_FALSE(result.error().remedy.empty());
}

TEST(ReduceRays, AnInjuredOtherFootIsRefusedAsPattern) {
  const BoneSurfaces& right = proceduralRight();
  const Hurt h = hurt(right, Side::kRight, kHomolateral);
  const BoneSurfaces other = mirrored(h.injured);
  const auto result = reduceRays(h.injured, Side::kRight, &other, right);
  ASSERT_TRUE(result) << result.error().message();
  EXPECT_EQ(result->method, ReductionMethod::kCongruence);
  ASSERT_FALSE(result->cautions.empty());
  EXPECT_NE(result->cautions[0].find("not used as a pattern"), std::string::npos);
}

TEST(ReduceRays, StopsWhenAsked) {
  std::atomic<bool> stop{true};
  Progress progress;
  progress.stop = &stop;
  const auto result = reduceRays(proceduralRight(), Side::kRight, nullptr, proceduralRight(), progress);
  ASSERT_FALSE(result);
  EXPECT_EQ(result.error().fault, Fault::kCancelled);
}

}  // namespace
}  // namespace rayset
