// The synthetic scan against analytic solids and against its own settings.
#include "phantom/scan.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <oneapi/tbb/global_control.h>

#include <algorithm>
#include <cmath>
#include <map>
#include <numbers>
#include <numeric>

#include "base/units.h"
#include "english.h"

namespace rayset {
namespace {

/// Quiet settings for solids of compact bone in air.
ScanSettings solidSettings() {
  ScanSettings s;
  s.noise_hu = 0;
  s.soft_tissue = false;
  s.texture = false;
  s.margin_mm = 5;
  return s;
}

CtVolume scan(const Surface& surface, const ScanSettings& s, const std::string& id = "solid") {
  const auto ct = synthesiseCt({{.id = id, .surface = &surface}}, s);
  EXPECT_TRUE(ct) << (ct ? "" : english(ct.error()));
  return ct ? *ct : CtVolume{};
}

/// Volume of a solid from the grey values: the sum of each voxel's share between air and bone. The blur keeps sums.
double greyVolume(const CtVolume& ct, double air, double bone) {
  double sum = 0;
  for (const std::int16_t v : ct.voxels) sum += (v - air) / (bone - air);
  return sum * ct.grid.spacing.prod();
}

double thresholdVolume(const CtVolume& ct, double threshold) {
  const auto n = std::count_if(ct.voxels.begin(), ct.voxels.end(), [&](std::int16_t v) { return v >= threshold; });
  return static_cast<double>(n) * ct.grid.spacing.prod();
}

/// Where a profile from p along d crosses `level`, by linear interpolation of 0.02 mm steps.
double crossing(const CtVolume& ct, const Vec3& p, const Vec3& d, double level, double outside, double to_mm) {
  double before = sampleLinear(ct, p, outside);
  for (double t = 0.02; t < to_mm; t += 0.02) {
    const double now = sampleLinear(ct, p + t * d, outside);
    if ((before - level) * (now - level) <= 0 && now != before) return t - 0.02 * (now - level) / (now - before);
    before = now;
  }
  return std::nan("");
}

struct Moments {
  double mean, sd;
};
Moments moments(const std::vector<double>& v) {
  const double mean = std::accumulate(v.begin(), v.end(), 0.0) / static_cast<double>(v.size());
  double squares = 0;
  for (const double x : v) squares += (x - mean) * (x - mean);
  return {mean, std::sqrt(squares / static_cast<double>(v.size()))};
}

const double kSphereRadius = 11.3;
const Vec3 kSphereCentre(3.17, -2.41, 7.83);
double sphereVolume() { return 4.0 / 3 * std::numbers::pi * std::pow(kSphereRadius, 3); }

TEST(Scan, SphereKeepsItsVolume) {
  const Surface sphere = makeSphere(kSphereCentre, kSphereRadius, 5);
  const CtVolume ct = scan(sphere, solidSettings());
  const double truth = sphereVolume();
  EXPECT_NEAR(greyVolume(ct, TissueHu::kAir, TissueHu::kCortex) / truth, 1, 0.005);
  EXPECT_NEAR(thresholdVolume(ct, 0.5 * (TissueHu::kAir + TissueHu::kCortex)) / truth, 1, 0.01);
}

TEST(Scan, ObliqueCylinderKeepsItsVolume) {
  const Vec3 a(1, 2, 3), b = a + Vec3(17, 11, 23);
  const Surface cylinder = makeCylinder(a, b, 6.2, 96);
  const CtVolume ct = scan(cylinder, solidSettings());
  // The mesh itself is a prism of 96 sides, 0.07 % less than the round cylinder.
  const double truth = std::numbers::pi * 6.2 * 6.2 * (b - a).norm();
  EXPECT_NEAR(greyVolume(ct, TissueHu::kAir, TissueHu::kCortex) / truth, 1, 0.01);
  EXPECT_NEAR(thresholdVolume(ct, 0.5 * (TissueHu::kAir + TissueHu::kCortex)) / truth, 1, 0.02);
}

TEST(Scan, ThickSlicesKeepTheVolumeToo) {
  const Surface sphere = makeSphere(kSphereCentre, kSphereRadius, 5);
  ScanSettings s = solidSettings();
  s.slice_mm = 3;
  s.pixel_mm = 0.4;
  const CtVolume ct = scan(sphere, s);
  EXPECT_DOUBLE_EQ(ct.grid.spacing.z(), 3);
  EXPECT_NEAR(greyVolume(ct, TissueHu::kAir, TissueHu::kCortex) / sphereVolume(), 1, 0.01);
}

TEST(Scan, EdgesAreWhereTheSurfaceIs) {
  const Surface sphere = makeSphere(kSphereCentre, kSphereRadius, 5);
  const CtVolume ct = scan(sphere, solidSettings());
  const double level = 0.5 * (TissueHu::kAir + TissueHu::kCortex);
  std::vector<double> errors;
  for (const OrientedPoint& p : sampleEvenly(makeSphere(Vec3::Zero(), 1, 3), 300)) {
    const Vec3 d = p.position.normalized();
    errors.push_back(crossing(ct, kSphereCentre + 5 * d, d, level, TissueHu::kAir, 12) + 5 - kSphereRadius);
  }
  const Moments m = moments(errors);
  EXPECT_NEAR(m.mean, 0, 0.02) << "mean of half-height positions, mm";
  EXPECT_LT(m.sd, 0.05);
  EXPECT_THAT(errors, testing::Each(testing::AllOf(testing::Gt(-0.1), testing::Lt(0.1))));
}

/// The edge of a flat face is the integral of the point spread function: its width from 12 % to 88 % of the step
/// (erf(+-FWHM/2)) is the full width at half maximum.
double edgeFwhm(const CtVolume& ct, const Vec3& inside, const Vec3& d) {
  const double step = TissueHu::kAir - TissueHu::kCortex;
  // A Gaussian's share beyond half its FWHM: 0.5 erfc(sqrt(ln 2)) = 0.1195.
  const double share = 0.5 * std::erfc(std::sqrt(std::numbers::ln2));
  const double high = crossing(ct, inside, d, TissueHu::kCortex + share * step, TissueHu::kAir, 8);
  const double low = crossing(ct, inside, d, TissueHu::kAir - share * step, TissueHu::kAir, 8);
  return low - high;
}

TEST(Scan, BlurHasTheWidthAskedFor) {
  const Surface box = makeBox(Box(Vec3(-6.13, -6.2, -6.07), Vec3(6.11, 6.05, 6.2)));
  for (const double fwhm : {0.7, 1.2}) {
    ScanSettings s = solidSettings();
    s.pixel_mm = 0.25;
    s.slice_mm = 0.25;
    s.blur_fwhm_mm = fwhm;
    const CtVolume ct = scan(box, s);
    // Reading the voxels linearly adds a little: a triangle of two pixels has the variance pixel^2 / 6.
    const auto widened = [&](double extra_variance) {
      return std::sqrt(fwhm * fwhm + 8 * std::numbers::ln2 * extra_variance);
    };
    const double reading = 0.25 * 0.25 / 6;
    EXPECT_NEAR(edgeFwhm(ct, Vec3(3, 0.4, -0.3), Vec3::UnitX()), widened(reading), 0.05) << "fwhm " << fwhm;
    EXPECT_NEAR(edgeFwhm(ct, Vec3(0.3, -3, 0.4), -Vec3::UnitY()), widened(reading), 0.05) << "fwhm " << fwhm;
    // Through the slices the box of the slice's thickness comes on top.
    EXPECT_NEAR(edgeFwhm(ct, Vec3(0.4, 0.3, 3), Vec3::UnitZ()), widened(reading + 0.25 * 0.25 / 12), 0.05);
  }
}

TEST(Scan, NoiseHasTheDeviationAskedForAndIsCorrelatedInTheSlice) {
  const Surface box = makeBox(Box(Vec3(-12, -12, -12), Vec3(12, 12, 12)));
  for (const double sd : {10.0, 40.0}) {
    ScanSettings s = solidSettings();
    s.noise_hu = sd;
    const CtVolume ct = scan(box, s);
    std::vector<double> values;
    double beside = 0, above = 0;
    for (int k = 16; k < ct.grid.size.z() - 16; ++k)
      for (int j = 16; j < ct.grid.size.y() - 16; ++j)
        for (int i = 16; i < ct.grid.size.x() - 16; ++i) {
          values.push_back(ct.at(i, j, k));
          beside += (ct.at(i, j, k) - TissueHu::kCortex) * (ct.at(i + 1, j, k) - TissueHu::kCortex);
          above += (ct.at(i, j, k) - TissueHu::kCortex) * (ct.at(i, j, k + 1) - TissueHu::kCortex);
        }
    const Moments m = moments(values);
    EXPECT_NEAR(m.mean, TissueHu::kCortex, 1);
    EXPECT_NEAR(m.sd / sd, 1, 0.02);
    const double n = static_cast<double>(values.size()) * sd * sd;
    EXPECT_NEAR(beside / n, 2 * 0.35 / (1 + 2 * 0.35 * 0.35), 0.03);  // of white noise averaged by (0.35, 1, 0.35)
    EXPECT_NEAR(above / n, 0, 0.03);
  }
}

/// A shaft such as a metatarsal's.
Surface shaft() { return makeCylinder(Vec3(0, 0, 0), Vec3(0, -70, 0), 6, 64); }

TEST(Scan, ShaftHasCortexMarrowAndCancellousEnds) {
  ScanSettings s = solidSettings();
  s.soft_tissue = true;
  s.pixel_mm = s.slice_mm = 0.4;
  s.margin_mm = 14;
  const Surface bone = shaft();
  const auto ring = [](const CtVolume& ct, double radius, double from, double to) {
    std::vector<double> values;
    for (double y = from; y > to; y -= 0.5)
      for (double a = 0; a < 6.2; a += 0.2)
        values.push_back(sampleLinear(ct, Vec3(radius * std::cos(a), y, radius * std::sin(a)), 0));
    return moments(values);
  };
  const CtVolume plain = scan(bone, s, "M2");
  s.texture = true;
  const CtVolume textured = scan(bone, s, "M2");
  for (const CtVolume* ct : {&plain, &textured}) {
    EXPECT_THAT(ring(*ct, 2.0, -31, -39).mean, testing::AllOf(testing::Gt(-60), testing::Lt(40))) << "marrow";
    EXPECT_THAT(ring(*ct, 5.2, -31, -39).mean, testing::AllOf(testing::Gt(1200), testing::Lt(1600))) << "cortex";
    EXPECT_THAT(ring(*ct, 7.0, -31, -39).mean, testing::AllOf(testing::Gt(30), testing::Lt(100))) << "soft tissue";
    EXPECT_NEAR(sampleLinear(*ct, Vec3(17, -35, 0), 0), TissueHu::kAir, 1);
  }
  const Moments even = ring(plain, 2.5, -2, -10), rough = ring(textured, 2.5, -2, -10);
  EXPECT_THAT(even.mean, testing::AllOf(testing::Gt(250), testing::Lt(400))) << "cancellous";
  EXPECT_GT(rough.sd, 50) << "trabecular texture";
  EXPECT_LT(even.sd, 60);
}

TEST(Scan, TextureLeavesTheMeanWhereItIs) {
  const Surface ball = makeSphere(Vec3::Zero(), 20, 5);  // large enough to average the regional variation out
  ScanSettings s = solidSettings();
  s.pixel_mm = s.slice_mm = 0.8;
  const auto inside = [](const CtVolume& ct) {
    std::vector<double> values;
    for (double x = -10; x <= 10; x += 0.8)
      for (double y = -10; y <= 10; y += 0.8)
        for (double z = -10; z <= 10; z += 0.8) values.push_back(sampleLinear(ct, Vec3(x, y, z), 0));
    return moments(values);
  };
  const Moments even = inside(scan(ball, s, "Cub"));
  s.texture = true;
  const Moments rough = inside(scan(ball, s, "Cub"));
  EXPECT_THAT(even.mean, testing::AllOf(testing::Gt(250), testing::Lt(400)));
  EXPECT_NEAR(rough.mean, even.mean, 25);
  EXPECT_THAT(rough.sd, testing::AllOf(testing::Gt(30), testing::Lt(130)));
}

TEST(Scan, CortexThinsTowardsTheEnds) {
  ScanSettings s = solidSettings();
  s.pixel_mm = s.slice_mm = 0.25;
  s.blur_fwhm_mm = 0.25;
  const Surface bone = shaft();
  const CtVolume ct = scan(bone, s, "M2");
  // From outside in: air -> cortex at half height, then cortex -> inside at half height between the two.
  const auto thickness = [&](double y) {
    const Vec3 start(8, y, 0), d(-1, 0, 0);
    const double inner = sampleLinear(ct, Vec3(2.5, y, 0), 0);
    const double outer_edge = crossing(ct, start, d, 0.5 * (TissueHu::kAir + TissueHu::kCortex), TissueHu::kAir, 6);
    const Vec3 within = start + (outer_edge + 0.35) * d;
    return 0.35 + crossing(ct, within, d, 0.5 * (TissueHu::kCortex + inner), TissueHu::kAir, 6);
  };
  EXPECT_NEAR(thickness(-35), 1.6, 0.15);
  EXPECT_NEAR(thickness(-5), 0.8, 0.2);
}

TEST(Scan, DensityScalesBone) {
  const Surface sphere = makeSphere(kSphereCentre, kSphereRadius, 5);
  ScanSettings s = solidSettings();
  s.soft_tissue = true;
  const CtVolume healthy = scan(sphere, s, "Cub");
  s.density = 0.6;
  const CtVolume porous = scan(sphere, s, "Cub");
  const double a = sampleLinear(healthy, kSphereCentre, 0), b = sampleLinear(porous, kSphereCentre, 0);
  EXPECT_THAT(a, testing::AllOf(testing::Gt(200), testing::Lt(400)));
  EXPECT_NEAR(b / a, 0.6, 0.05);
}

TEST(Scan, BreakShowsNoCortex) {
  // Half a ball, with and without the knowledge that it is a piece of a whole one.
  const Surface ball = makeSphere(Vec3::Zero(), 8, 4);
  Surface half = ball;
  for (Vec3& v : half.vertices) v.z() = std::min(v.z(), 0.0);  // flattened: closed, its top face is the break
  ScanSettings s = solidSettings();
  s.pixel_mm = s.slice_mm = 0.3;
  const auto piece = synthesiseCt({{.id = "M2.1", .surface = &half, .whole = &ball}}, s);
  const auto alone = synthesiseCt({{.id = "M2.1", .surface = &half}}, s);
  ASSERT_TRUE(piece) << english(piece.error());
  ASSERT_TRUE(alone);
  EXPECT_GT(sampleLinear(*alone, Vec3(0, 0, -0.7), 0), 900);
  EXPECT_LT(sampleLinear(*piece, Vec3(0, 0, -0.7), 0), 500);
  EXPECT_GT(sampleLinear(*piece, Vec3(0, 0, -7.3), 0), 700) << "its own surface keeps its cortex";
}

TEST(Scan, DependsOnTheSeedAndNotOnThreads) {
  const Surface bone = shaft();
  ScanSettings s;
  s.pixel_mm = s.slice_mm = 0.8;
  CtVolume one, many;
  {
    const oneapi::tbb::global_control limit(oneapi::tbb::global_control::max_allowed_parallelism, 1);
    one = scan(bone, s, "M2");
  }
  many = scan(bone, s, "M2");
  EXPECT_EQ(one.voxels, many.voxels);
  s.seed = 2;
  EXPECT_NE(scan(bone, s, "M2").voxels, many.voxels);
}

TEST(Scan, TheScannersOrientationDoesNotChangeTheFoot) {
  const Surface bone = shaft();
  ScanSettings s;
  s.noise_hu = 0;
  s.pixel_mm = s.slice_mm = 0.4;
  const CtVolume straight = scan(bone, s, "M2");
  s.scanner_from_patient = (Eigen::AngleAxisd(0.5, Vec3::UnitX()) * Eigen::AngleAxisd(-0.8, Vec3::UnitZ()) *
                            Eigen::AngleAxisd(0.3, Vec3::UnitY()))
                               .toRotationMatrix();
  const CtVolume turned = scan(bone, s, "M2");
  EXPECT_LT((turned.grid.direction - s.scanner_from_patient.transpose()).norm(), 1e-12);
  std::vector<double> difference;
  for (const OrientedPoint& p : sampleEvenly(bone, 2000)) {
    for (const double inset : {0.8, 3.0, -4.0}) {
      const Vec3 q = p.position - inset * p.normal;
      difference.push_back(sampleLinear(turned, q, 0) - sampleLinear(straight, q, 0));
    }
  }
  const Moments m = moments(difference);
  // What is left is the reading of two different grids.
  EXPECT_NEAR(m.mean, 0, 5);
  EXPECT_LT(m.sd, 60);
}

TEST(Scan, KernelsTradeNoiseForSharpness) {
  const Surface box = makeBox(Box(Vec3(-9.13, -9.2, -9.07), Vec3(9.11, 9.05, 9.2)));
  ScanSettings s = solidSettings();
  s.pixel_mm = s.slice_mm = 0.25;
  struct Seen {
    double fwhm, overshoot, sd, beside;
  };
  std::map<ReconstructionKernel, Seen> seen;
  for (const auto kernel :
       {ReconstructionKernel::kSoft, ReconstructionKernel::kStandard, ReconstructionKernel::kSharp}) {
    s.kernel = kernel;
    s.noise_hu = 0;
    const CtVolume edge = scan(box, s);
    double highest = 0;
    for (double x = 4; x < 9.1; x += 0.05)
      highest = std::max(highest, sampleLinear(edge, Vec3(x, 0.3, -0.4), TissueHu::kAir));
    EXPECT_NEAR(sampleLinear(edge, Vec3(0.3, 0.2, 0.1), 0), TissueHu::kCortex, 1) << "far from edges nothing changes";
    s.noise_hu = 30;
    const CtVolume noisy = scan(box, s);
    std::vector<double> values;
    double beside = 0;
    for (int k = 40; k < noisy.grid.size.z() - 40; ++k)
      for (int j = 40; j < noisy.grid.size.y() - 40; ++j)
        for (int i = 40; i < noisy.grid.size.x() - 40; ++i) {
          values.push_back(noisy.at(i, j, k));
          beside += (noisy.at(i, j, k) - TissueHu::kCortex) * (noisy.at(i + 1, j, k) - TissueHu::kCortex);
        }
    const double sd = moments(values).sd;
    seen[kernel] = {edgeFwhm(edge, Vec3(6, 0.4, -0.3), Vec3::UnitX()),
                    (highest - TissueHu::kCortex) / (TissueHu::kCortex - TissueHu::kAir), sd,
                    beside / (static_cast<double>(values.size()) * sd * sd)};
  }
  const Seen soft = seen[ReconstructionKernel::kSoft], standard = seen[ReconstructionKernel::kStandard],
             sharp = seen[ReconstructionKernel::kSharp];
  EXPECT_NEAR(soft.fwhm, std::hypot(1.5 * 0.7, std::sqrt(8 * std::numbers::ln2 / 6) * 0.25), 0.05);
  EXPECT_GT(soft.fwhm, standard.fwhm + 0.2);
  EXPECT_LT(sharp.fwhm, standard.fwhm - 0.1);
  EXPECT_LT(soft.overshoot, 0.002);
  EXPECT_LT(standard.overshoot, 0.002);
  EXPECT_THAT(sharp.overshoot, testing::AllOf(testing::Gt(0.10), testing::Lt(0.25))) << "of the step at the edge";
  EXPECT_NEAR(soft.sd, 0.6 * 30, 1);
  EXPECT_NEAR(standard.sd, 30, 1);
  EXPECT_NEAR(sharp.sd, 1.8 * 30, 1.5);
  EXPECT_GT(soft.beside, standard.beside + 0.1) << "coarser noise";
  EXPECT_LT(sharp.beside, -0.1) << "finer noise";
}

TEST(Scan, CastFollowsTheSkinWithPaddingBetween) {
  const Surface ball = makeSphere(Vec3::Zero(), 14, 4);
  ScanSettings s;
  s.noise_hu = 0;
  s.texture = false;
  s.pixel_mm = s.slice_mm = 0.5;
  const CtVolume bare = scan(ball, s, "Cub");
  s.cast = {.thickness_mm = 8, .hu = 450, .padding_mm = 4};
  const CtVolume cast = scan(ball, s, "Cub");
  for (const OrientedPoint& p : sampleEvenly(makeSphere(Vec3::Zero(), 1, 3), 60)) {
    const Vec3 d = p.position.normalized();
    const double outside = TissueHu::kAir;
    const double skin = crossing(bare, 16 * d, d, -500, outside, 20) + 16;
    ASSERT_GT(skin, 18);
    const double inner = crossing(cast, (skin + 2) * d, d, -200, outside, 8) + skin + 2;
    const double outer = crossing(cast, (inner + 3) * d, d, -275, outside, 16) + inner + 3;
    EXPECT_NEAR(inner - skin, 4, 0.6);
    EXPECT_NEAR(outer - inner, 8, 0.6);
    EXPECT_NEAR(sampleLinear(cast, Vec3((skin + 2) * d), outside), TissueHu::kPadding, 40);
    EXPECT_NEAR(sampleLinear(cast, Vec3((inner + outer) / 2 * d), outside), 450, 10);
    EXPECT_NEAR(sampleLinear(cast, Vec3((outer + 2) * d), outside), TissueHu::kAir, 5);
    EXPECT_NEAR(sampleLinear(cast, Vec3(13.4 * d), outside), sampleLinear(bare, Vec3(13.4 * d), outside), 60)
        << "the bone stays as it was";
  }
}

TEST(Scan, MetalIsBrighterThanTheScaleAndDoesNotDependOnThreads) {
  const Surface ball = makeSphere(Vec3::Zero(), 16, 4);
  ScanSettings s;
  s.pixel_mm = s.slice_mm = 0.8;
  const CtVolume clean = scan(ball, s, "Cal");
  s.staples = {{.a = Vec3(-17, -6, 0.3), .b = Vec3(-17, 6, 0.3), .into = Vec3::UnitX(), .leg_mm = 14, .wire_mm = 2}};
  CtVolume one;
  {
    const oneapi::tbb::global_control limit(oneapi::tbb::global_control::max_allowed_parallelism, 1);
    one = scan(ball, s, "Cal");
  }
  const CtVolume many = scan(ball, s, "Cal");
  EXPECT_EQ(one.voxels, many.voxels);
  EXPECT_GT(sampleLinear(many, Vec3(-10, 6, 0.3), 0), 3000) << "a leg";
  EXPECT_GT(sampleLinear(many, Vec3(-17, 0, 0.3), 0), 3000) << "the bridge";
  EXPECT_EQ(*std::max_element(many.voxels.begin(), many.voxels.end()), 3071);
  EXPECT_LT(sampleLinear(many, Vec3(1, 6, 0.3), 0), sampleLinear(clean, Vec3(1, 6, 0.3), 0) - 100)
      << "dark in the shadow of a leg, beyond its tip";
  // Slices without metal are what they were.
  const int far = static_cast<int>(many.grid.toIndex(Vec3(0, 0, 6)).z());
  for (int j = 0; j < many.grid.size.y(); ++j)
    for (int i = 0; i < many.grid.size.x(); ++i) ASSERT_EQ(many.at(i, j, far), clean.at(i, j, far));
}

TEST(Scan, RefusesWhatItCannotScan) {
  const Surface sphere = makeSphere(Vec3::Zero(), 5, 3);
  ScanSettings s;
  EXPECT_FALSE(synthesiseCt({}, s));
  Surface open = sphere;
  open.triangles.pop_back();
  const auto not_closed = synthesiseCt({{.id = "C1", .surface = &open}}, s);
  ASSERT_FALSE(not_closed);
  EXPECT_THAT(english(not_closed.error()), testing::HasSubstr("C1"));
  s.pixel_mm = 0;
  const auto no_pixel = synthesiseCt({{.id = "C1", .surface = &sphere}}, s);
  ASSERT_FALSE(no_pixel);
  EXPECT_EQ(no_pixel.error().fault, Fault::kRequest);
  EXPECT_THAT(english(no_pixel.error()), testing::HasSubstr("pixel spacing"));
  s = {};
  s.scanner_from_patient(0, 0) = 2;
  EXPECT_FALSE(synthesiseCt({{.id = "C1", .surface = &sphere}}, s));
  s = {};
  s.cast.thickness_mm = 50;
  EXPECT_FALSE(synthesiseCt({{.id = "C1", .surface = &sphere}}, s));
  s = {};
  s.cast.thickness_mm = 8;
  s.soft_tissue = false;
  EXPECT_FALSE(synthesiseCt({{.id = "C1", .surface = &sphere}}, s)) << "a cast needs a skin";
  s = {};
  s.staples = {{.a = Vec3::Zero(), .b = Vec3::Zero()}};
  EXPECT_FALSE(synthesiseCt({{.id = "C1", .surface = &sphere}}, s)) << "no bridge";
  s = {};
  s.proximal_crop_mm = 10;
  EXPECT_FALSE(synthesiseCt({{.id = "C1", .surface = &sphere}}, s)) << "no C2 to crop behind";
}

}  // namespace
}  // namespace rayset
