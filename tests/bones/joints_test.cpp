// Two bones that lie close together, on a shape whose answer is known: a ball in a socket.
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <tbb/global_control.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <random>

#include "bones/joint_fit.h"
#include "bones/parting.h"
#include "geometry/distance_field.h"
#include "geometry/ray_caster.h"

namespace rayset::bones {
namespace {

const Vec3 kCentre(17.1, 16.9, 17.3);
constexpr double kRadius = 9, kPlate = 0.9, kSocket = 5, kSharp = 0.45;
constexpr double kCortex = 1250, kCancellous = 280, kSoft = 45;

/// A scan of a ball of bone in a socket, `gap` mm between them, each with a plate of compact bone, blurred as a flat
/// edge is (the radius is twenty times the blur).
ScanImage scanOf(double gap, double noise, double blur = kSharp) {
  ScanImage scan;
  scan.grey.size = {69, 68, 69};
  scan.grey.h = 0.5;
  scan.grey.v.resize(static_cast<std::size_t>(scan.grey.size.prod()));
  scan.levels = {kSoft, noise, 800, 250};
  const double own = kRadius, other = kRadius + gap, end = other + kSocket;
  const std::array<std::pair<double, double>, 6> steps{{{own - kPlate, kCortex - kCancellous},
                                                        {own, kSoft - kCortex},
                                                        {other, kCortex - kSoft},
                                                        {other + kPlate, kCancellous - kCortex},
                                                        {end - kPlate, kCortex - kCancellous},
                                                        {end, kSoft - kCortex}}};
  std::mt19937 generator(5);
  std::normal_distribution<double> normal(0, noise);
  for (int k = 0; k < scan.grey.size.z(); ++k)
    for (int j = 0; j < scan.grey.size.y(); ++j)
      for (int i = 0; i < scan.grey.size.x(); ++i) {
        const double r = (scan.grey.h * Vec3(i, j, k) - kCentre).norm();
        double value = kCancellous + normal(generator);
        for (const auto& [at, step] : steps) value += step * 0.5 * std::erfc((at - r) / (blur * std::sqrt(2.0)));
        scan.grey.v[scan.grey.offset(i, j, k)] = static_cast<float>(value);
      }
  scan.calm = scan.grey;
  return scan;
}

/// What a sharp kernel makes of a scan: in every slice `amount` of the difference to a blur of `sigma` mm is added.
void sharpen(Image& image, double amount, double sigma) {
  std::vector<float> weights;
  float total = 0;
  const int reach = static_cast<int>(std::ceil(4 * sigma / image.h));
  for (int d = -reach; d <= reach; ++d)
    total += weights.emplace_back(static_cast<float>(std::exp(-0.5 * std::pow(d * image.h / sigma, 2))));
  Image wide = image;
  for (int axis = 0; axis < 2; ++axis) {
    const Image from = wide;
    for (int k = 0; k < image.size.z(); ++k)
      for (int j = 0; j < image.size.y(); ++j)
        for (int i = 0; i < image.size.x(); ++i) {
          float sum = 0;
          for (int d = -reach; d <= reach; ++d) {
            Eigen::Vector3i q(i, j, k);
            q[axis] = std::clamp(q[axis] + d, 0, image.size[axis] - 1);
            sum += weights[static_cast<std::size_t>(d + reach)] * from.v[from.offset(q.x(), q.y(), q.z())];
          }
          wide.v[wide.offset(i, j, k)] = sum / total;
        }
  }
  for (std::size_t n = 0; n < image.v.size(); ++n) image.v[n] += static_cast<float>(amount) * (image.v[n] - wide.v[n]);
}

Surface ballOf(double radius) {
  const Box box(kCentre - Vec3::Constant(16), kCentre + Vec3::Constant(16));
  return isosurface(DistanceField(box, 0.6, 3, [&](const Vec3& p) { return (p - kCentre).norm() - radius; }));
}

/// A hollow ball, closed: its inner wall and its outer one.
Surface socketOf(double inner, double outer) {
  const Box box(kCentre - Vec3::Constant(16.5), kCentre + Vec3::Constant(16.5));
  return isosurface(DistanceField(box, 0.6, 3, [&](const Vec3& p) {
    const double r = (p - kCentre).norm();
    return std::max(inner - r, r - outer);
  }));
}

EdgeModel model(double blur = kSharp) {
  EdgeModel m;
  m.sigma_plane_mm = m.sigma_slice_mm = blur;
  m.cortex_hu = kCortex;
  m.places = 400;
  return m;
}

struct Found {
  Surface ball, socket;
  std::vector<std::vector<Facing>> facing;
  double ball_bias = 0, ball_worst = 0, socket_bias = 0, socket_worst = 0, width = 0, told = 0;
};

/// Fitted from surfaces that lie 1 mm and 0.8 mm inside each other's bone, as they do where each was drawn alone.
Found fitted(double gap, double noise, double blur = kSharp) {
  Found f;
  f.ball = ballOf(kRadius + 1.0);
  f.socket = socketOf(kRadius + gap - 0.8, kRadius + gap + kSocket);
  f.facing = fitJoints(scanOf(gap, noise, blur), model(blur), {&f.ball, &f.socket});
  std::size_t count = 0, told = 0;
  for (std::size_t v = 0; v < f.ball.vertices.size(); ++v) {
    const double e = (f.ball.vertices[v] - kCentre).norm() - kRadius;
    f.ball_bias += e / static_cast<double>(f.ball.vertices.size());
    f.ball_worst = std::max(f.ball_worst, std::abs(e));
    f.width += static_cast<double>(f.facing[0][v].width_mm) / static_cast<double>(f.ball.vertices.size());
    if (f.facing[0][v].told()) ++told;
  }
  f.told = static_cast<double>(told) / static_cast<double>(f.ball.vertices.size());
  for (const Vec3& p : f.socket.vertices) {
    const double e = (p - kCentre).norm() - kRadius - gap;
    if (e > 0.5 * kSocket) continue;  // the outer wall
    f.socket_bias += e;
    f.socket_worst = std::max(f.socket_worst, std::abs(e));
    ++count;
  }
  f.socket_bias /= static_cast<double>(count);
  return f;
}

TEST(Joints, BothBordersAreFoundWhereTheGapIsNarrowerThanTheBlur) {
  for (const double gap : {0.3, 0.5, 0.8, 1.2}) {
    SCOPED_TRACE(gap);
    const Found f = fitted(gap, 30);
    EXPECT_NEAR(f.ball_bias, 0, 0.05);
    EXPECT_NEAR(f.socket_bias, 0, 0.05);
    EXPECT_LT(f.ball_worst, 0.25);
    EXPECT_LT(f.socket_worst, 0.25);
    EXPECT_NEAR(f.width, gap, 0.1);
    EXPECT_GT(f.told, 0.9);
    EXPECT_TRUE(isClosed(f.ball));
    EXPECT_TRUE(isClosed(f.socket));
  }
}

/// Mean and worst distance of the ball's vertices from its true radius.
std::pair<double, double> offRadius(const Surface& ball) {
  double mean = 0, worst = 0;
  for (const Vec3& p : ball.vertices) {
    const double e = (p - kCentre).norm() - kRadius;
    mean += e / static_cast<double>(ball.vertices.size());
    worst = std::max(worst, std::abs(e));
  }
  return {mean, worst};
}

TEST(Joints, AKernelThatOvershootsIsRecognised) {
  for (const double blur : {0.3, 0.4, 0.5})
    for (const double amount : {0.0, 0.5, 0.9}) {
      SCOPED_TRACE(testing::Message() << "blur " << blur << ", amount " << amount);
      ScanImage scan = scanOf(6, 30, blur);
      sharpen(scan.grey, amount, 0.55);
      Surface ball = ballOf(kRadius - 0.2);
      const EdgeModel m = measureEdges(scan, {&ball}, 0.5, 0.5);
      // Voxels as wide as the blur overshoot a little by themselves; under a wide blur an overshoot looks like a little
      // less blur.
      if (amount == 0) {
        EXPECT_LE(m.overshoot, 0.25);
      }
      if (amount > 0.6 && blur < 0.45) {
        EXPECT_GT(m.overshoot, 0.5);
      }
      fitCortex(scan, m, ball);
      EXPECT_NEAR(offRadius(ball).first, 0, 0.08);
      EXPECT_LT(offRadius(ball).second, 0.15);
    }
}

TEST(Joints, BothBordersAreFoundUnderAKernelThatOvershoots) {
  for (const double gap : {0.5, 1.0}) {
    SCOPED_TRACE(gap);
    ScanImage scan = scanOf(gap, 40, 0.3);
    sharpen(scan.grey, 0.9, 0.55);
    EdgeModel m = model(0.3);
    m.overshoot = 0.9;
    m.wide_plane_mm = std::hypot(0.3, 0.55);
    Surface ball = ballOf(kRadius + 1.0), socket = socketOf(kRadius + gap - 0.8, kRadius + gap + kSocket);
    (void)fitJoints(scan, m, {&ball, &socket});
    EXPECT_NEAR(offRadius(ball).first, 0, 0.06);
    EXPECT_LT(offRadius(ball).second, 0.3);
  }
}

TEST(Joints, BonesThatTouchEndInTheMiddleOfTheirPlates) {
  const Found f = fitted(0, 30);
  EXPECT_NEAR(f.ball_bias, 0, 0.1);
  EXPECT_NEAR(f.socket_bias, 0, 0.1);
  EXPECT_LT(f.width, 0.15);
}

TEST(Joints, WhatBlurHidesIsNotCalledTold) {
  EXPECT_GT(fitted(0.5, 30).told, 0.9);
  EXPECT_LT(fitted(0.5, 60, 1.3).told, 0.2);
}

TEST(Joints, AWideGapIsLeftToTheEdgesOfEachBone) {
  Surface ball = ballOf(kRadius), socket = socketOf(kRadius + 3, kRadius + 3 + kSocket);
  const Surface before = ball;
  const auto facing = fitJoints(scanOf(3, 30), model(), {&ball, &socket});
  EXPECT_EQ(ball.vertices, before.vertices);
  EXPECT_TRUE(std::all_of(facing[0].begin(), facing[0].end(), [](const Facing& f) { return f.other < 0; }));
}

TEST(Joints, TheNumberOfThreadsChangesNothing) {
  const Found two = fitted(0.5, 30);
  const tbb::global_control one(tbb::global_control::max_allowed_parallelism, 1);
  const Found alone = fitted(0.5, 30);
  EXPECT_EQ(two.ball.vertices, alone.ball.vertices);
  EXPECT_EQ(two.socket.vertices, alone.socket.vertices);
}

TEST(Parting, SurfacesThatLieInEachOtherGiveWayByHalf) {
  constexpr double kInEachOther = 1.6;
  Surface a = makeSphere(Vec3(0, 0, 0), 8, 5), b = makeSphere(Vec3(16 - kInEachOther, 0, 0), 8, 5);
  const Surface a_before = a;
  const auto moved = partSurfaces({&a, &b});
  const RayCaster in_a({&a}), in_b({&b});
  for (const Vec3& p : a.vertices) EXPECT_GT(in_b.signedDistance(p, 2), -0.1);
  for (const Vec3& p : b.vertices) EXPECT_GT(in_a.signedDistance(p, 2), -0.1);
  EXPECT_TRUE(isClosed(a));
  EXPECT_TRUE(isClosed(b));
  // The plane half way between them is where they meet.
  EXPECT_NEAR(bounds(a).max().x(), 8 - kInEachOther / 2, 0.15);
  EXPECT_NEAR(bounds(b).min().x(), 8 - kInEachOther / 2, 0.15);
  for (std::size_t v = 0; v < a.vertices.size(); ++v) {
    EXPECT_DOUBLE_EQ(moved[0][v], (a.vertices[v] - a_before.vertices[v]).norm());
    if (a_before.vertices[v].x() >= 3) continue;
    EXPECT_EQ(a.vertices[v], a_before.vertices[v]) << "far from the other";
  }
}

TEST(Parting, SurfacesThatAreApartStay) {
  Surface a = makeSphere(Vec3(0, 0, 0), 8, 4), b = makeSphere(Vec3(16.3, 0, 0), 8, 4);
  const Surface a_before = a, b_before = b;
  (void)partSurfaces({&a, &b});
  EXPECT_EQ(a.vertices, a_before.vertices);
  EXPECT_EQ(b.vertices, b_before.vertices);
}

}  // namespace
}  // namespace rayset::bones
