// The foot taken apart, and films registered: on a procedural foot, scanned and labelled from its own surfaces. The
// films are marched through an independent volume of the moved foot (line_integrals.h, reference), not made from the
// parts that are registered. How well it does on whole cases: bench_films.
#include "xray/film_registration.h"

#include <fmt/format.h>
#include <gtest/gtest.h>
#include <tbb/global_control.h>

#include <filesystem>
#include <numbers>
#include <random>

#include "anatomy/frames.h"
#include "anatomy/procedural_foot.h"
#include "base/units.h"
#include "english.h"
#include "image/voxelise.h"
#include "phantom/scan.h"
#include "xray/attenuation.h"
#include "xray/film_exposure.h"
#include "xray/film_normal.h"
#include "xray/simulate.h"
#include "xray/soft_tissue.h"

namespace rayset {
namespace {

struct Scanned {
  Foot foot;
  Frame frame;
  CtVolume ct;
  LabelVolume labels;
  FootBodies bodies;
};

CtVolume scanOf(const BoneSurfaces& bones, double voxel) {
  ScanSettings s;
  s.pixel_mm = s.slice_mm = voxel;
  s.noise_hu = 0;
  std::vector<ScannedPart> parts;
  for (const auto& [bone, surface] : bones) parts.push_back({std::string(boneId(bone)), &surface});
  return *synthesiseCt(parts, s);
}

const Scanned& scanned() {
  static const Scanned made = [] {
    Scanned s;
    s.foot = proceduralFoot({}, Side::kRight, 1.0);
    s.frame = footFrame(s.foot.bones, s.foot.side);
    s.ct = scanOf(s.foot.bones, 0.8);
    s.labels = LabelVolume(s.ct.grid);
    for (const auto& [bone, surface] : s.foot.bones)
      if (bone != Bone::kToes && bone != Bone::kSesamoids) fillInside(s.labels, surface, label(bone));
    s.bodies = splitBodies(s.ct, s.labels, 0);
    return s;
  }();
  return made;
}

TEST(Bodies, TogetherAreTheScan) {
  const Scanned& s = scanned();
  const FootBodies exact = splitBodies(s.ct, s.labels, 0, 0);
  // Every voxel once: added up on the scan's own grid they give it back, air and its noise aside.
  Volume<std::int32_t> sum(s.ct.grid);
  const auto add = [&](const CtVolume& v) {
    const Vec3 low = s.ct.grid.toIndex(v.grid.origin);
    const Eigen::Vector3i o(static_cast<int>(std::lround(low.x())), static_cast<int>(std::lround(low.y())),
                            static_cast<int>(std::lround(low.z())));
    for (int k = 0; k < v.grid.size.z(); ++k)
      for (int j = 0; j < v.grid.size.y(); ++j)
        for (int i = 0; i < v.grid.size.x(); ++i) sum.at(o.x() + i, o.y() + j, o.z() + k) += v.at(i, j, k);
  };
  add(exact.soft);
  for (const Body& b : exact.bones) add(b.added);
  std::size_t wrong = 0, tissue = 0;
  for (std::size_t i = 0; i < sum.voxels.size(); ++i) {
    if (s.ct.voxels[i] < -850) continue;
    ++tissue;
    wrong += std::abs(sum.voxels[i] - (s.ct.voxels[i] + 1000)) > 1 ? 1 : 0;
  }
  EXPECT_GT(tissue, 100000U);
  EXPECT_LT(static_cast<double>(wrong), 0.001 * static_cast<double>(tissue));
  for (const Bone b : kMidfootBones) EXPECT_NE(exact.find(std::string(boneId(b))), nullptr) << boneId(b);
}

TEST(Bodies, ToesGoWithTheirRay) {
  const Scanned& s = scanned();
  for (const Ray ray : kRays) {
    const Body* toes = s.bodies.find(fmt::format("toes.{}", ray));
    ASSERT_NE(toes, nullptr) << ray;
    EXPECT_EQ(poseId(toes->id), fmt::format("M{}", ray));
    // Their middle lies beyond the metatarsal's head and nearest to its axis.
    Vec3 middle = Vec3::Zero();
    double mass = 0;
    for (int k = 0; k < toes->added.grid.size.z(); ++k)
      for (int j = 0; j < toes->added.grid.size.y(); ++j)
        for (int i = 0; i < toes->added.grid.size.x(); ++i)
          if (toes->added.at(i, j, k) > 0) {
            middle += toes->added.at(i, j, k) * toes->added.grid.toPatient(Vec3(i, j, k));
            mass += toes->added.at(i, j, k);
          }
    middle /= mass;
    double best = 1e9;
    std::optional<Ray> nearest;
    for (const Ray other : kRays) {
      const MetatarsalAxis axis = metatarsalAxis(s.foot.bones.at(metatarsal(other)), s.frame.distal);
      const double d = (middle - axis.head_centre).cross(axis.distal).norm();
      if (d < best) best = d, nearest = other;
    }
    EXPECT_EQ(nearest, ray);
  }
}

TEST(Bodies, AnotherFootIsLeftOut) {
  const Scanned& s = scanned();
  LabelVolume labels = s.labels;
  for (auto& v : labels.voxels) v = v == 0 ? 0 : static_cast<std::uint8_t>(v + 32);
  EXPECT_TRUE(splitBodies(s.ct, labels, 0).bones.empty());
  EXPECT_EQ(splitBodies(s.ct, labels, 1).bones.size(), s.bodies.bones.size());
}

TEST(Bodies, ShareBoneOnlyWhereOneIsLaidOnTheOther) {
  const Scanned& s = scanned();
  const Body &second = *s.bodies.find("M2"), &third = *s.bodies.find("M3");
  const Rigid still = Rigid::Identity();
  EXPECT_LT(sharedBone(second, still, third, still), 30);
  // Laid on its neighbour it shares much of itself; moved with its neighbour it shares what it did.
  const Vec3 onto =
      basePoint(s.foot.bones.at(Bone::kM3), s.frame.distal) - basePoint(s.foot.bones.at(Bone::kM2), s.frame.distal);
  const Rigid laid = turnAbout(s.frame.origin, Vec3::Zero(), onto);
  const double shared = sharedBone(second, laid, third, still);
  EXPECT_GT(shared, 1000);
  EXPECT_NEAR(sharedBone(third, still, second, laid), shared, 0.05 * shared);
  const Rigid both = turnAbout(s.frame.origin, 0.3 * s.frame.dorsal, Vec3(5, -3, 8));
  EXPECT_NEAR(sharedBone(second, both * laid, third, both), shared, 0.01 * shared);
}

TEST(SoftTissue, GoesWithTheBonesAroundIt) {
  const Scanned& s = scanned();
  const SoftTissue tissue(s.bodies);
  EXPECT_EQ(tissue.carried({}).voxels, s.bodies.soft.voxels);

  // The whole foot elsewhere: every point of it has gone along.
  std::map<std::string, Rigid> poses;
  const Rigid gone = turnAbout(s.frame.origin, 0.1 * s.frame.dorsal, Vec3(6, -4, 3));
  for (const Body& body : s.bodies.bones) poses[poseId(body.id)] = gone;
  const CtVolume whole = tissue.carried(poses);
  double worst = 0;
  for (const Vec3& v : s.foot.bones.at(Bone::kM3).vertices)
    worst = std::max(worst, std::abs(sampleLinear(whole, gone * v, 0) - sampleLinear(s.bodies.soft, v, 0)));
  EXPECT_LT(worst, 60) << "interpolated twice";

  // The lateral rays 8 mm off: against a scan of that foot, whose skin lies around its bones by itself.
  const Rigid off = turnAbout(s.frame.origin, Vec3::Zero(), 8 * s.frame.lateral());
  BoneSurfaces moved = s.foot.bones;
  std::map<std::string, Rigid> lateral;
  for (const Ray ray : {Ray(4), Ray(5)}) {
    moved[metatarsal(ray)] = transformed(moved.at(metatarsal(ray)), off);
    lateral[fmt::format("M{}", ray)] = off;
  }
  const CtVolume scan = scanOf(moved, 0.8), carried = tissue.carried(lateral);
  const auto differing = [&](const CtVolume& soft) {
    double differs = 0;
    const Surface& fifth = moved.at(Bone::kM5);
    for (std::size_t n = 0; n < fifth.vertices.size(); n += 5)
      for (double beside = 2; beside < 14; beside += 1) {
        const Vec3 p = fifth.vertices[n] + beside * s.frame.lateral();
        const bool there = sampleLinear(scan, p, -1000) > -500;
        differs += there != (sampleLinear(soft, p, 0) > 500) ? 1 : 0;
      }
    return differs;
  };
  EXPECT_GT(differing(s.bodies.soft), 200) << "or this tests nothing";
  EXPECT_LT(differing(carried), 0.2 * differing(s.bodies.soft));
}

TEST(Bodies, AreReadBackAsWritten) {
  const Scanned& s = scanned();
  const auto folder = std::filesystem::temp_directory_path() / "rayset-bodies-test";
  std::filesystem::remove_all(folder);
  ASSERT_TRUE(writeBodies(folder, s.bodies));
  const auto back = readBodies(folder);
  ASSERT_TRUE(back) << english(back.error());
  ASSERT_EQ(back->bones.size(), s.bodies.bones.size());
  EXPECT_EQ(back->soft.voxels, s.bodies.soft.voxels);
  for (const Body& b : s.bodies.bones) {
    const Body* read = back->find(b.id);
    ASSERT_NE(read, nullptr) << b.id;
    EXPECT_EQ(read->added.voxels, b.added.voxels) << b.id;
    EXPECT_NEAR((read->added.grid.origin - b.added.grid.origin).norm(), 0, 1e-6);
  }
  std::filesystem::remove_all(folder);
  EXPECT_FALSE(readBodies(folder));
}

/// Two films of the foot with its second ray off by `off`, exposed at the nominal views moved by `lain`; bone stands
/// out from muscle `gain` times as much as in the CT; of what arrives `scatter` is scattered over centimetres.
std::vector<FilmExposure> filmsOf(const Rigid& off, const std::array<Rigid, 2>& lain, double gain = 1,
                                  const std::vector<MetalSolid>& metal = {}, double scatter = 0.1) {
  const Scanned& s = scanned();
  BoneSurfaces moved = s.foot.bones;
  moved[Bone::kM2] = transformed(moved.at(Bone::kM2), off);
  CtVolume ct = scanOf(moved, 0.7);
  for (std::int16_t& hu : ct.voxels)
    if (hu > kMuscleHu) hu = static_cast<std::int16_t>(kMuscleHu + gain * (hu - kMuscleHu));
  const auto values = attenuationVolume(ct, -850);
  const ProjectionVolume volume(values.grid, values.voxels);
  const PlantarFrame plate = plantarFrame(s.foot.bones, s.frame, s.foot.side);
  std::vector<FilmExposure> films;
  int n = 0;
  for (const NamedView named : {NamedView::kDorsoplantar20, NamedView::kLateral}) {
    TubePose tube = tubePose(named);
    tube.pixel_mm = 0.5;
    tube.width_mm = named == NamedView::kLateral ? 260 : 160;
    tube.height_mm = named == NamedView::kLateral ? 160 : 270;
    FilmExposure e;
    e.name = std::string(wordOf(named));
    e.view = *projectionView(plate, tube);
    const ProjectionView exposed = e.view.moved(lain[static_cast<std::size_t>(n++)]);
    std::vector<float> integrals(static_cast<std::size_t>(exposed.columns) * static_cast<std::size_t>(exposed.rows));
    addLineIntegralsReference(volume, exposed, static_cast<float>(kAttenuationPerUnit), integrals, 0.5);
    addMetal(metal, exposed, static_cast<float>(kSteel316L.perMm()), integrals);
    ToneSettings tone;
    tone.pixel_mm = 0.5;
    tone.photons = 20000;
    tone.scatter_fraction = scatter;
    e.film = simulatedFilm(integrals, exposed.columns, exposed.rows, tone);
    films.push_back(std::move(e));
  }
  return films;
}

Result<FilmRegistration> registeredWith(std::size_t threads, const FilmRegistrationInput& input) {
  const tbb::global_control limit(tbb::global_control::max_allowed_parallelism, threads);
  return registerFilms(input);
}

void expectSameBits(const FilmRegistration& a, const FilmRegistration& b) {
  EXPECT_EQ(a.similarity, b.similarity);
  ASSERT_EQ(a.films.size(), b.films.size());
  for (std::size_t n = 0; n < a.films.size(); ++n) {
    const FoundFilm &one = a.films[n], &two = b.films[n];
    EXPECT_EQ(one.view.source, two.view.source) << n;
    EXPECT_EQ(one.view.detector, two.view.detector) << n;
    EXPECT_EQ(one.view.right, two.view.right) << n;
    EXPECT_EQ(one.view.down, two.view.down) << n;
    EXPECT_EQ(one.similarity, two.similarity) << n;
    EXPECT_EQ(one.margin, two.margin) << n;
  }
  ASSERT_EQ(a.bodies.size(), b.bodies.size());
  for (std::size_t n = 0; n < a.bodies.size(); ++n) {
    const FoundBody &one = a.bodies[n], &two = b.bodies[n];
    EXPECT_EQ(one.id, two.id);
    EXPECT_EQ(one.planned_to_found.matrix(), two.planned_to_found.matrix()) << one.id;
    EXPECT_EQ(one.covariance, two.covariance) << one.id;
    EXPECT_EQ(one.similarity, two.similarity) << one.id;
    EXPECT_EQ(one.rival_mm, two.rival_mm) << one.id;
  }
}

TEST(FilmRegistration, FindsAMovedRayFromUnknownViewsWithAnyNumberOfThreads) {
  const Scanned& s = scanned();
  const Vec3 base = basePoint(s.foot.bones.at(Bone::kM2), s.frame.distal);
  const Rigid off = turnAbout(base, toRadians(3) * s.frame.dorsal, 1.5 * s.frame.lateral() + 1.0 * s.frame.dorsal);
  const Vec3 c = s.frame.origin;
  FilmRegistrationInput input;
  input.bodies = &s.bodies;
  input.films =
      filmsOf(off, {turnAbout(c, {0.05, -0.03, 0.06}, {4, -5, 3}), turnAbout(c, {-0.04, 0.05, 0.02}, {-3, 4, 5})});
  const auto found = registeredWith(1, input);
  ASSERT_TRUE(found) << english(found.error());
  ASSERT_FALSE(found->bodies.empty());
  for (const FoundBody& b : found->bodies) {
    if (b.id == "hindfoot") continue;
    const auto bone = *boneFromId(b.id);
    const Vec3 p = basePoint(s.foot.bones.at(bone), s.frame.distal);
    const Vec3 truth = bone == Bone::kM2 ? Vec3(off * p) : p;
    // The required accuracy in the films' planes; voxels of 0.8 mm here, so twice that.
    EXPECT_LT((b.planned_to_found * p - truth).norm(), 0.6) << b.id;
    EXPECT_GT(b.similarity, 0.7) << b.id;
  }
  const auto by_two = registeredWith(2, input);
  ASSERT_TRUE(by_two) << english(by_two.error());
  expectSameBits(*found, *by_two);
}

/// The picture turned by a quarter, on a detector that lies in the same place the other way round.
FilmExposure turnedByAQuarter(const FilmExposure& e) {
  FilmExposure out = e;
  out.film = Film(e.film.rows, e.film.columns);
  for (int r = 0; r < e.film.rows; ++r)
    for (int c = 0; c < e.film.columns; ++c) out.film.at(e.film.rows - 1 - r, c) = e.film.at(c, r);
  ProjectionView& v = out.view;
  v.columns = out.film.columns;
  v.rows = out.film.rows;
  const Vec3 middle =
      e.view.detector + 0.5 * e.view.pixel_mm * ((e.view.columns - 1) * e.view.right + (e.view.rows - 1) * e.view.down);
  v.detector = middle - 0.5 * v.pixel_mm * ((v.columns - 1) * v.right + (v.rows - 1) * v.down);
  return out;
}

TEST(FilmRegistration, TurnsOfAFilmAgree) {
  const Scanned& s = scanned();
  FilmRegistrationInput input;
  input.bodies = &s.bodies;
  input.films = filmsOf(Rigid::Identity(), {Rigid::Identity(), Rigid::Identity()});
  const auto upright = registerFilms(input);
  ASSERT_TRUE(upright) << english(upright.error());
  const Vec3 c = s.frame.origin;
  for (int quarters = 1; quarters < 3; ++quarters) {
    input.films[0] = turnedByAQuarter(input.films[0]);
    const auto found = registerFilms(input);
    ASSERT_TRUE(found) << english(found.error());
    EXPECT_EQ(found->films[0].quarters, 4 - quarters);
    EXPECT_LT(found->films[0].turn_rad, 0.03);
    EXPECT_EQ(found->films[1].quarters, 0);
    EXPECT_EQ(found->films[0].view.columns, input.films[0].view.columns) << "the view is of the film as it was given";
    for (std::size_t n = 0; n < found->bodies.size(); ++n) {
      const FoundBody& a = upright->bodies[n];
      const FoundBody& b = found->bodies[n];
      EXPECT_LT((a.planned_to_found * a.centre - b.planned_to_found * a.centre).norm(), 0.05) << b.id;  // the mark
    }
    if (quarters == 2) {  // the pixel that shows the middle of the foot has gone to the other corner
      const Vec2 before = upright->films[0].view.project(c);
      const Vec2 after = found->films[0].view.project(c);
      EXPECT_NEAR(after.x(), input.films[0].view.columns - 1 - before.x(), 0.2);
      EXPECT_NEAR(after.y(), input.films[0].view.rows - 1 - before.y(), 0.2);
    }
  }
}

/// That on films of a foot left as it was every ray is found there, and the tube of the lateral film to so many
/// millimetres along its beam.
void expectNothingMoved(double gain, double scatter, double along_mm) {
  const Scanned& s = scanned();
  FilmRegistrationInput input;
  input.bodies = &s.bodies;
  input.films =
      filmsOf(Rigid::Identity(), {turnAbout(s.frame.origin, {0.03, -0.02, 0.04}, {3, -2, 3}), Rigid::Identity()}, gain,
              {}, scatter);
  const auto found = registerFilms(input);
  ASSERT_TRUE(found) << english(found.error());
  for (const FoundBody& b : found->bodies) {
    if (b.id == "hindfoot") continue;
    EXPECT_LT((b.planned_to_found * b.centre - b.centre).norm(), 0.6) << b.id;
  }
  const ProjectionView& nominal = input.films[1].view;
  EXPECT_NEAR((found->films[1].view.source - nominal.source).dot(nominal.normal()), 0, along_mm);
}

TEST(FilmRegistration, BoneThatStandsOutMoreThanInTheCtMovesNothing) {
  expectNothingMoved(2.5, 0.1, 6);  // along the beam, where edges that look too wide show most
}

TEST(FilmRegistration, ScatterMovesNothing) {
  expectNothingMoved(2, 0.5, 4);  // thick bones look too small through it, as from a tube farther away
}

/// A film at its finest level of a picture of lines and grain, through a grey scale, with noise of its own; and a
/// prediction of it that is blurred by so much.
struct Blurred {
  film_fit::FilmState film;
  film_fit::Prediction prediction;
};
Blurred blurredBy(double sigma_mm, double film_sigma_mm, double noise) {
  constexpr double kPixelMm = 0.6;
  std::mt19937_64 g(5);
  const auto drawn = [&g] { return static_cast<double>(g() >> 11) * 0x1p-53; };
  Film picture(160, 200);
  for (int r = 0; r < picture.rows; ++r)
    for (int c = 0; c < picture.columns; ++c)
      picture.at(c, r) =
          static_cast<float>(1 + 0.4 * std::sin(c * 0.11) + ((c + r / 3) % 17 < 2 ? 0.6 : 0) + 0.5 * drawn());
  Blurred out;
  const GreyScale scale({0, 1, 2, 3}, {0, 0.2F, 0.7F, 0.9F});
  film_fit::LevelFilm fine;
  fine.view.pixel_mm = kPixelMm;
  fine.view.columns = picture.columns;
  fine.view.rows = picture.rows;
  fine.film = film_sigma_mm > 0 ? gaussian(picture, film_sigma_mm / kPixelMm) : picture;
  fine.inside = Film(picture.columns, picture.rows, 1);
  for (float& v : fine.film.values) {
    v = scale(v);
    v += static_cast<float>(noise * (drawn() + drawn() - 1));
  }
  fine.sorted = sortedValues(fine.film, fine.inside);
  auto levels = std::make_shared<std::array<film_fit::LevelFilm, film_fit::kLevels>>();
  levels->fill(fine);
  out.film.levels = std::move(levels);
  out.prediction.seen = sigma_mm > 0 ? gaussian(picture, sigma_mm / kPixelMm) : picture;
  out.prediction.weight = fine.inside;
  out.prediction.scale = std::make_shared<const GreyScale>(scale);
  return out;
}

TEST(FilmModel, AFilmIsBlurredAsMuchAsWhatItIsComparedWith) {
  using namespace film_fit;
  const auto between = [](const Blurred& b, double most) { return blurBetween(b.film, kFine, b.prediction, most); };
  for (const double noise : {0.0, 0.2})
    for (const double sigma : {0.45, 0.7}) EXPECT_NEAR(between(blurredBy(sigma, 0, noise), 1), sigma, 0.06) << noise;
  EXPECT_LT(between(blurredBy(0, 0, 0.2), 1), 0.15);
  EXPECT_EQ(between(blurredBy(0.3, 0.6, 0), 1), 0) << "the film is the more blurred one";
  EXPECT_EQ(between(blurredBy(0.9, 0, 0), 0.5), 0.5) << "at most";

  // Blurred so, without noise, it looks as predicted; metal is compared with the film as it is.
  Blurred b = blurredBy(0.6, 0, 0);
  smooth(b.film, kFine, 0.6, *b.prediction.scale);
  const Film &blurred = comparedFilm(b.film, kFine, {}), &sharp = comparedFilm(b.film, kFine, {.metal_compared = true});
  double worst = 0, sharp_worst = 0;
  for (int r = 5; r < blurred.rows - 5; ++r)
    for (int c = 5; c < blurred.columns - 5; ++c) {
      const float grey = (*b.prediction.scale)(b.prediction.seen.at(c, r));
      worst = std::max(worst, static_cast<double>(std::abs(blurred.at(c, r) - grey)));
      sharp_worst = std::max(sharp_worst, static_cast<double>(std::abs(sharp.at(c, r) - grey)));
    }
  EXPECT_LT(worst, 1e-3);
  EXPECT_GT(sharp_worst, 0.1);
}

TEST(FilmNormal, AGreyScaleTurnedRoundLeadsBack) {
  const GreyScale scale({0, 1, 2, 3, 4}, {0.1F, 0.2F, 0.2F, 0.6F, 0.9F});
  const GreyScale back = scale.inverse();
  for (const float value : {-0.5F, 0.0F, 0.4F, 1.0F, 2.5F, 3.2F, 5.0F}) {
    const float grey = scale(value);
    EXPECT_NEAR(scale(back(grey)), grey, 1e-5F) << value;
  }
}

TEST(FilmNormal, AGaussianIsAsWideAsAsked) {
  Film point(41, 31);
  point.at(20, 15) = 1;
  for (const double sigma : {0.4, 1.0, 2.5}) {
    const Film spread = gaussian(point, sigma);
    double sum = 0, across = 0, down = 0;
    for (int r = 0; r < spread.rows; ++r)
      for (int c = 0; c < spread.columns; ++c) {
        const auto v = static_cast<double>(spread.at(c, r));
        sum += v;
        across += v * (c - 20) * (c - 20);
        down += v * (r - 15) * (r - 15);
      }
    EXPECT_NEAR(sum, 1, 1e-5);
    // Cut at three sigmas; below half a pixel the samples of a Gaussian are narrower than it.
    EXPECT_NEAR(std::sqrt(across), sigma, sigma < 0.5 ? 0.12 : 0.02 * sigma) << sigma;
    EXPECT_NEAR(down, across, 1e-5);
  }
  Film even(9, 7, 3);
  for (const float v : gaussian(even, 1.7).values) EXPECT_NEAR(v, 3, 1e-5F) << "to the border";
}

TEST(FilmRegistration, AScrewOfAnotherLengthInPiecesOrLeftOutIsTold) {
  const Scanned& s = scanned();
  const Vec3 c = s.frame.origin;
  FilmRegistrationInput input;
  input.bodies = &s.bodies;
  std::vector<MetalSolid> put_in;
  const std::vector<std::pair<Bone, double>> screws{
      {Bone::kM1, 8}, {Bone::kM3, 0}, {Bone::kM4, -6}, {Bone::kM5, 0}};  // the last is broken
  for (const auto& [bone, longer] : screws) {
    MetalSolid screw;
    screw.origin = basePoint(s.foot.bones.at(bone), s.frame.distal) + 12 * s.frame.distal + 6 * s.frame.dorsal;
    screw.axis = (-s.frame.distal - 0.4 * s.frame.dorsal).normalized();
    screw.pieces = {cylinderPiece(0, 2.5, 3), cylinderPiece(2.5, 28, 1.75), conePiece(28, 30, 1.75, 0)};
    input.metal.push_back(
        {std::string(boneId(bone)) + "-screw", screw.origin, screw.origin + 30 * screw.axis, screw, true});
    put_in.push_back(lengthened(screw, longer));
  }
  // Its head has backed out by 3 mm with 14 mm of it.
  MetalSolid far_half = put_in.back();
  far_half.pieces = {cylinderPiece(14, 28, 1.75), conePiece(28, 30, 1.75, 0)};
  put_in.back().pieces = {cylinderPiece(0, 2.5, 3), cylinderPiece(2.5, 14, 1.75)};
  put_in.back().origin -= 3 * put_in.back().axis;
  put_in.push_back(far_half);
  // One was not put in: what is found in its place is the shadow of the one beside it.
  MetalSolid left_out = input.metal[1].solid;
  left_out.origin += 9 * s.frame.medial;
  input.metal.push_back({"left out", left_out.origin, left_out.origin + 30 * left_out.axis, left_out, true});
  input.films =
      filmsOf(Rigid::Identity(), {turnAbout(c, {0.03, -0.02, 0.03}, {2, -3, 1}), Rigid::Identity()}, 1, put_in);
  const auto found = registerFilms(input);
  ASSERT_TRUE(found) << english(found.error());
  ASSERT_EQ(found->devices.size(), screws.size() + 1);
  EXPECT_FALSE(found->devices.back().seen);
  for (std::size_t n = 0; n < screws.size(); ++n) {
    const FoundDevice& d = found->devices[n];
    const MetalSolid& truth = put_in[n];
    const bool broken = n == 3;
    EXPECT_TRUE(d.seen) << d.id;
    EXPECT_NEAR(d.longer_mm, broken ? 3 : screws[n].second, broken ? 1 : 0) << d.id;
    EXPECT_NEAR(d.gap_mm, broken ? 3 : 0, broken ? 1 : 0) << d.id;
    EXPECT_NEAR(d.gap_at_mm, broken ? 14 : 0, broken ? 1.5 : 0) << d.id;
    const MetalSolid& last = broken ? far_half : truth;
    EXPECT_LT((d.entry - truth.origin).norm(), broken ? 1.5 : 0.8) << d.id;
    EXPECT_LT((d.tip - (last.origin + last.pieces.back().to * last.axis)).norm(), broken ? 1.5 : 0.8) << d.id;
  }
}

TEST(FilmRegistration, APlaceBeyondTheReachIsNone) {
  const Scanned& s = scanned();
  FilmRegistrationInput input;
  input.bodies = &s.bodies;
  const Vec3 c = s.frame.origin;
  input.films = filmsOf(Rigid::Identity(), {turnAbout(c, 0.45 * s.frame.distal, Vec3::Zero()), Rigid::Identity()});
  const auto found = registerFilms(input);
  ASSERT_FALSE(found) << "26 degrees from the view stated";
  EXPECT_EQ(found.error().fault, Fault::kImages);
}

TEST(FilmRegistration, RefusesTheMirrorImageAndAnotherPicture) {
  FilmRegistrationInput input;
  input.bodies = &scanned().bodies;
  input.films = filmsOf(Rigid::Identity(), {Rigid::Identity(), Rigid::Identity()});
  FilmRegistrationInput mirrored = input;
  Film& film = mirrored.films[0].film;
  for (int r = 0; r < film.rows; ++r) std::reverse(film.row(r), film.row(r) + film.columns);
  const auto refused = registerFilms(mirrored);
  ASSERT_FALSE(refused);
  EXPECT_EQ(refused.error().fault, Fault::kImages);
  EXPECT_NE(english(refused.error().what).find("mirror"), std::string::npos) << english(refused.error());

  FilmRegistrationInput other = input;  // something with edges, but no foot
  Film& stripes = other.films[0].film;
  for (int r = 0; r < stripes.rows; ++r)
    for (int c = 0; c < stripes.columns; ++c) stripes.at(c, r) = static_cast<float>((c / 23 + r / 31) % 3) / 3;
  EXPECT_FALSE(registerFilms(other));

  FilmRegistrationInput corner = input;  // too little of the foot to look for it
  FilmExposure& e = corner.films[0];
  e.view = e.view.cropped(0, 0, 60, 60);
  e.film = Film(60, 60);
  for (std::size_t i = 0; i < e.film.values.size(); ++i) e.film.values[i] = static_cast<float>(i % 7);
  const auto nowhere = registerFilms(corner);
  ASSERT_FALSE(nowhere);
  EXPECT_EQ(nowhere.error().fault, Fault::kImages) << english(nowhere.error());
  EXPECT_FALSE(registerFilms({}));
}

}  // namespace
}  // namespace rayset
