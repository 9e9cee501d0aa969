// Devices looked for beside where they were found, on films of nothing but metal in an even body, made here.
#include "xray/film_beside.h"

#include <gtest/gtest.h>

#include <array>
#include <cmath>
#include <memory>
#include <vector>

#include "xray/attenuation.h"
#include "xray/metal.h"

namespace rayset {
namespace {

using namespace film_fit;

constexpr double kLengthMm = 36;

MetalSolid screwAt(const Vec3& entry, const Vec3& axis) {
  return {
      entry,
      axis,
      {cylinderPiece(0, 3, 3), cylinderPiece(3, kLengthMm - 4, 1.75), conePiece(kLengthMm - 4, kLengthMm, 1.75, 0)}};
}

/// A view along +z (dorsoplantar) or +x (lateral) of the 60 mm around the origin.
ProjectionView viewAlong(bool lateral, double pixel_mm) {
  ProjectionView v;
  const Vec3 beam = lateral ? Vec3::UnitX() : Vec3::UnitZ();
  v.right = lateral ? Vec3::UnitZ() : Vec3::UnitX();
  v.down = beam.cross(v.right);
  v.pixel_mm = pixel_mm;
  v.columns = v.rows = static_cast<int>(120 / pixel_mm);
  v.source = -940 * beam;
  v.detector = 60 * beam - pixel_mm * ((v.columns - 1) / 2.0 * v.right + (v.rows - 1) / 2.0 * v.down);
  return v;
}

/// Two screws side by side, their ray 6 mm from where it was planned and both gone with it; on two films.
struct TwoScrews {
  std::array<PlannedMetal, 2> metal;
  Rigid gone = Rigid::Identity();
  Problem problem;

  TwoScrews() {
    gone.translate(Vec3(4.5, 1, 4));
    const std::array<Vec3, 2> entries{Vec3(-6, -20, -5), Vec3(5, -15, 3)};
    Problem& p = problem;
    p.levels = {{{2.4, 2.0, 9}, {1.6, 1.5, 7}, {0.8, 1.0, 4.5}, {0.4, 0.5, 3}}};
    Group ray;
    ray.id = "M4";
    ray.planned_to_found = gone;
    p.groups.push_back(ray);
    p.bones = p.core = 1;
    std::vector<MetalSolid> true_metal;
    for (std::size_t n = 0; n < 2; ++n) {
      const Vec3 axis = Vec3(n == 0 ? 0.1 : -0.05, 1, 0.1).normalized();
      metal[n] = {n == 0 ? "S4" : "S5", entries[n], entries[n] + kLengthMm * axis, screwAt(entries[n], axis), {}, "M4"};
      true_metal.push_back(transformed(metal[n].solid, gone));
      Group g;
      g.id = metal[n].id;
      g.metal = &metal[n];
      g.centre = 0.5 * (metal[n].entry + metal[n].tip);
      g.reach_mm = kLengthMm / 2;
      g.rides = 0;
      p.groups.push_back(g);
    }
    for (const bool lateral : {false, true}) {
      auto levels = std::make_shared<std::array<LevelFilm, kLevels>>();
      for (std::size_t level = 0; level < kLevels; ++level) {
        LevelFilm& lf = (*levels)[level];
        lf.view = viewAlong(lateral, p.levels[level].pixel_mm);
        lf.film = Film(lf.view.columns, lf.view.rows, 0.8F);
        addMetal(true_metal, lf.view, static_cast<float>(kSteel316L.perMm()), lf.film.values);
        for (float& v : lf.film.values) v = 1 - std::exp(-v);
        lf.inside = Film(lf.view.columns, lf.view.rows, 1);
        lf.window_px = p.levels[level].window_mm / lf.view.pixel_mm;
        lf.sorted = sortedValues(lf.film, lf.inside);
      }
      FilmState f;
      f.levels = std::move(levels);
      f.bone_gain = 1;
      p.films.push_back(std::move(f));
    }
  }
  [[nodiscard]] Group& screw(std::size_t n) { return problem.groups[1 + n]; }
  /// How far its middle and its axis are off the truth, mm and radians.
  [[nodiscard]] double offMm(std::size_t n) {
    return (screw(n).planned_to_found * screw(n).centre - gone * screw(n).centre).norm();
  }
  [[nodiscard]] double offRad(std::size_t n) {
    const Vec3 axis = screw(n).metal->solid.axis;
    return std::acos(std::min(1.0, (screw(n).planned_to_found.linear() * axis).dot(gone.linear() * axis)));
  }
};

const Search kDevices{.first = 1,
                      .last = 2,
                      .together = 3,
                      .from_middle = true,
                      .met = 0.95,
                      .mode = {.metal_compared = true, .metal_known = true, .wide = true}};

TEST(FilmBeside, ScrewsThatChangedPlacesOnOneFilmGoWhereTheirRayWent) {
  TwoScrews t;
  // On the dorsoplantar film each on its own shadow, on the lateral one on the other's; along both films in between.
  const Vec3 apart = t.gone * t.screw(1).centre - t.gone * t.screw(0).centre;
  for (std::size_t n = 0; n < 2; ++n) {
    Group& g = t.screw(n);
    g.planned_to_found = t.gone;
    g.planned_to_found.pretranslate((n == 0 ? 1 : -1) * Vec3(0, 0.5 * apart.y(), apart.z()));
  }
  ASSERT_GT(t.offMm(0), 5);
  const Progress none;
  RefineSettings base;
  EXPECT_TRUE(tryTogether(t.problem, kDevices, base, none));
  for (std::size_t n = 0; n < 2; ++n) {
    EXPECT_LT(t.offMm(n), 0.3) << n;
    EXPECT_LT(t.offRad(n), 0.02) << n;
  }
}

TEST(FilmBeside, ScrewsWhereTheyWereFoundStay) {
  TwoScrews t;
  for (std::size_t n = 0; n < 2; ++n) t.screw(n).planned_to_found = t.gone;
  EXPECT_FALSE(tryTogether(t.problem, kDevices, {}, Progress())) << "they lie where their ray has gone";
  EXPECT_EQ(t.offMm(0), 0);
}

TEST(FilmBeside, ScrewsFarFromPlanAndRayAreFoundTogether) {
  TwoScrews t;  // their ray is said to be as planned, and so were they
  t.problem.groups[0].planned_to_found = Rigid::Identity();
  for (std::size_t n = 0; n < 2; ++n) t.screw(n).planned_to_found = Rigid::Identity();
  EXPECT_TRUE(tryTogether(t.problem, kDevices, {}, Progress()));
  for (std::size_t n = 0; n < 2; ++n) EXPECT_LT(t.offMm(n), 0.3) << n;
}

TEST(FilmBeside, MetalComesBackFromEitherSide) {
  // Steps of a fraction of a pixel (0.4 mm), to both sides: edges must pull from either.
  for (const double off : {-0.5, -0.25, 0.25, 0.5})
    for (int k = 0; k < 3; ++k) {
      TwoScrews t;
      for (std::size_t n = 0; n < 2; ++n) {
        t.screw(n).planned_to_found = t.gone;
        t.screw(n).planned_to_found.pretranslate(off * Vec3::Unit(k));
      }
      Problem q = narrowed(t.problem, 1, 2, 6, {kFine}, kDevices.mode);
      RefineSettings r;
      r.level = kFine;
      refine(q, unknowns(q, {false, false}, {true, true}), r, Progress());
      for (std::size_t n = 0; n < 2; ++n) {
        t.screw(n).planned_to_found = q.groups[n].planned_to_found;
        EXPECT_LT(t.offMm(n), 0.05) << off << " mm along axis " << k << ", screw " << n;
      }
    }
}

TEST(FilmBeside, ScrewsLeftWhereTheyWerePlannedGoWithTheirRay) {
  TwoScrews t;  // not far from the plan, but met poorly
  EXPECT_TRUE(tryTogether(t.problem, kDevices, {}, Progress()));
  for (std::size_t n = 0; n < 2; ++n) EXPECT_LT(t.offMm(n), 0.3) << n;
}

TEST(FilmBeside, TheWorstMetIsLookedForFirstAndTheOthersFollow) {
  TwoScrews t;
  t.screw(0).planned_to_found = t.gone;
  t.screw(0).planned_to_found.pretranslate(Vec3(0.8, 0, 0));
  t.screw(1).planned_to_found = t.gone;
  t.screw(1).planned_to_found.pretranslate(Vec3(3.5, 0, 3));
  std::vector<double> off;  // of the second, each time everything follows
  EXPECT_TRUE(tryBeside(t.problem, kDevices, {}, Progress(), [&] { off.push_back(t.offMm(1)); }));
  ASSERT_FALSE(off.empty());
  EXPECT_LT(off.front(), 0.5) << "the one that is off farthest came first";
  for (std::size_t n = 0; n < 2; ++n) EXPECT_LT(t.offMm(n), 0.3) << n;
}

}  // namespace
}  // namespace rayset
