// Filters against closed forms on a tilted, anisotropic grid.
#include "image/filters.h"

#include <gtest/gtest.h>

#include <cmath>
#include <filesystem>

#include "english.h"

namespace rayset {
namespace {

Grid tiltedGrid() {
  Grid g;
  g.size = {60, 50, 40};
  g.spacing = {0.5, 0.6, 0.8};
  g.origin = {-100, 30, 7};
  g.direction = Eigen::AngleAxisd(0.4, Vec3(1, 2, 3).normalized()).toRotationMatrix();
  return g;
}

LabelVolume ball(const Grid& g, double radius) {
  LabelVolume v(g);
  const Vec3 centre = g.toPatient(0.5 * (g.size - Eigen::Vector3i::Ones()).cast<double>());
  for (int k = 0; k < g.size.z(); ++k) {
    for (int j = 0; j < g.size.y(); ++j) {
      for (int i = 0; i < g.size.x(); ++i)
        v.at(i, j, k) = (g.toPatient(Vec3(i, j, k)) - centre).norm() <= radius ? 1 : 0;
    }
  }
  return v;
}

double millimetres(const LabelVolume& v) {
  std::size_t n = 0;
  for (const auto x : v.voxels) n += x != 0 ? 1 : 0;
  return static_cast<double>(n) * v.grid.spacing.prod();
}
double ballVolume(double r) { return 4.0 / 3 * M_PI * r * r * r; }

TEST(Grid, IndexAndPatientAreInverse) {
  const Grid g = tiltedGrid();
  const Vec3 i(3.25, 7.5, 11);
  EXPECT_LT((g.toIndex(g.toPatient(i)) - i).norm(), 1e-12);
}

TEST(Volume, LinearSamplingIsExactForLinearFunctions) {
  const Grid g = tiltedGrid();
  FloatVolume v(g);
  const Vec3 slope(2, -3, 0.5);
  for (int k = 0; k < g.size.z(); ++k) {
    for (int j = 0; j < g.size.y(); ++j) {
      for (int i = 0; i < g.size.x(); ++i) v.at(i, j, k) = static_cast<float>(slope.dot(g.toPatient(Vec3(i, j, k))));
    }
  }
  const Vec3 p = g.toPatient(Vec3(20.3, 10.7, 15.2));
  EXPECT_NEAR(sampleLinear(v, p, 0), slope.dot(p), 1e-3);
  EXPECT_LT((sampleGradient(v, p) - slope).norm(), 1e-3);
  EXPECT_EQ(sampleLinear(v, g.toPatient(Vec3(-1, 0, 0)), 42), 42);
}

TEST(Filters, BallGrowsAndShrinksByTheRadius) {
  const LabelVolume b = ball(tiltedGrid(), 8);
  EXPECT_NEAR(millimetres(dilate(b, 2)) / ballVolume(10), 1, 0.05);
  EXPECT_NEAR(millimetres(erode(b, 2)) / ballVolume(6), 1, 0.1);
  EXPECT_NEAR(millimetres(closing(b, 2)) / millimetres(b), 1, 0.03);
  EXPECT_NEAR(millimetres(opening(b, 2)) / millimetres(b), 1, 0.06);
}

TEST(Filters, SignedDistanceIsNegativeInside) {
  const Grid g = tiltedGrid();
  const FloatVolume d = signedDistance(ball(g, 8));
  // Off the centre by 0.6 mm, and the zero lies on border voxels, up to one slice (0.8 mm) inside the ball.
  EXPECT_LT(d.at(30, 25, 20), -8 + 0.6 + 1.1);
  EXPECT_GT(d.at(30, 25, 20), -8);
  EXPECT_GT(d.at(0, 0, 0), 5);
}

TEST(Filters, HolesAreFilledAndPiecesCounted) {
  const Grid g = tiltedGrid();
  LabelVolume shell = ball(g, 8);
  const LabelVolume core = ball(g, 5);
  for (std::size_t i = 0; i < shell.voxels.size(); ++i) {
    if (core.voxels[i] != 0) shell.voxels[i] = 0;
  }
  EXPECT_EQ(fillHoles(shell).voxels, ball(g, 8).voxels);
  shell.at(0, 0, 0) = 1;
  const auto parts = components(shell);
  EXPECT_EQ(*std::max_element(parts.voxels.begin(), parts.voxels.end()), 2u);
  EXPECT_EQ(parts.at(0, 0, 0), 2u);  // the smaller piece
}

TEST(Filters, WatershedMeetsOnTheRidge) {
  Grid g;
  g.size = {41, 9, 9};
  Volume<std::int16_t> landscape(g);
  LabelVolume markers(g);
  for (int k = 0; k < 9; ++k) {
    for (int j = 0; j < 9; ++j) {
      for (int i = 0; i < 41; ++i) landscape.at(i, j, k) = static_cast<std::int16_t>(100 - 10 * std::abs(i - 24));
    }
  }
  markers.at(2, 4, 4) = 1;
  markers.at(38, 4, 4) = 2;
  const LabelVolume out = watershed(landscape, markers);
  EXPECT_EQ(out.at(20, 4, 4), 1);
  EXPECT_EQ(out.at(28, 4, 4), 2);
}

TEST(Filters, NrrdRoundTripKeepsGridAndLabels) {
  const auto file = std::filesystem::temp_directory_path() / "rayset-image-test.nrrd";
  const LabelVolume b = ball(tiltedGrid(), 8);
  ASSERT_TRUE(writeNrrd(file, b).has_value());
  const auto back = readNrrdLabels(file);
  ASSERT_TRUE(back.has_value()) << english(back.error());
  EXPECT_EQ(back->voxels, b.voxels);
  EXPECT_LT((back->grid.toPatient(Vec3(5, 6, 7)) - b.grid.toPatient(Vec3(5, 6, 7))).norm(), 1e-6);
  std::filesystem::remove(file);
  EXPECT_FALSE(readNrrdLabels(file).has_value());
}

}  // namespace
}  // namespace rayset
