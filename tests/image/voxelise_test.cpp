#include "image/voxelise.h"

#include <gtest/gtest.h>

#include <cmath>
#include <numbers>

#include "geometry/distance_field.h"

namespace rayset {
namespace {

/// A ball as a surface, by its distance function.
Surface ball(const Vec3& centre, double radius) {
  const Box box(centre - Vec3::Constant(radius + 2), centre + Vec3::Constant(radius + 2));
  return isosurface(DistanceField(box, 0.4, 3, [&](const Vec3& p) { return (p - centre).norm() - radius; }));
}

TEST(FillInside, FillsABallToItsVolume) {
  Grid grid;
  grid.size = {60, 50, 40};
  grid.spacing = {0.5, 0.6, 0.7};
  grid.direction = Eigen::AngleAxisd(0.4, Vec3(1, 2, 3).normalized()).toRotationMatrix();
  grid.origin = {10, -20, 30};
  LabelVolume labels(grid);
  const Vec3 centre = grid.toPatient(Vec3(30, 25, 20));
  const std::size_t inside = fillInside(labels, ball(centre, 8), 7);
  std::size_t wrong = 0, filled = 0;
  for (int k = 0; k < grid.size.z(); ++k)
    for (int j = 0; j < grid.size.y(); ++j)
      for (int i = 0; i < grid.size.x(); ++i) {
        const double d = (grid.toPatient(Vec3(i, j, k)) - centre).norm() - 8;
        const bool is = labels.at(i, j, k) == 7;
        filled += is ? 1 : 0;
        if (std::abs(d) > 0.05 && is != (d < 0)) ++wrong;  // the surface is a mesh of 0.4 mm
      }
  EXPECT_EQ(wrong, 0U);
  EXPECT_EQ(filled, inside);
  EXPECT_NEAR(static_cast<double>(inside) * grid.spacing.prod(), 4.0 / 3 * std::numbers::pi * 512, 25);
}

TEST(FillInside, KeepsWhatIsThereAndStaysInTheGrid) {
  Grid grid;
  grid.size = {20, 20, 20};
  LabelVolume labels(grid);
  labels.at(2, 2, 2) = 3;
  // Half of the ball lies outside the grid, and its surface passes through voxel centres.
  const std::size_t inside = fillInside(labels, ball(Vec3(0, 2, 2), 5), 9);
  EXPECT_EQ(labels.at(2, 2, 2), 3);
  EXPECT_EQ(labels.at(0, 2, 2), 9);
  EXPECT_EQ(labels.at(10, 2, 2), 0);
  EXPECT_GT(inside, 100U);
  EXPECT_EQ(fillInside(labels, Surface{}, 1), 0U);
}

}  // namespace
}  // namespace rayset
