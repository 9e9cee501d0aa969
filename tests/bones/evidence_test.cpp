// Dense bone inside a labelled bone: the plates of a joint that was not seen. On blocks of spongy bone made here.
#include "bones/evidence.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>

#include "anatomy/bones.h"

namespace rayset::bones {
namespace {

constexpr double kVoxelMm = 0.5;
const std::uint8_t kLabel = label(Bone::kM1);

/// A block of 14 x 14 mm and `length_mm` along z, spongy inside a wall of 1 mm, soft tissue around it.
struct Block {
  ScanImage scan;
  std::vector<std::uint8_t> labels;
  Surface surface;

  explicit Block(double length_mm) {
    const Vec3 low(4, 4, 4), high(18, 18, 4 + length_mm);
    scan.grey.h = kVoxelMm;
    scan.grey.size = ((high + low) / kVoxelMm).cast<int>();
    scan.levels = {.soft = 45, .noise = 20, .bright = 500, .bone = 200};
    scan.grey.v.assign(static_cast<std::size_t>(scan.grey.size.prod()), 45);
    labels.assign(scan.grey.count(), 0);
    for (std::size_t n = 0; n < scan.grey.count(); ++n) {
      const Vec3 p = scan.grey.centre(n);
      const double depth = std::min((p - low).minCoeff(), (high - p).minCoeff());
      if (depth < 0) continue;
      labels[n] = kLabel;
      scan.grey.v[n] = depth < 1 ? 1200 : 350;
    }
    scan.calm = scan.grey;
    for (int corner = 0; corner < 8; ++corner)
      surface.vertices.push_back(
          {corner & 1 ? high.x() : low.x(), corner & 2 ? high.y() : low.y(), corner & 4 ? high.z() : low.z()});
  }
  /// A plate of 11 x 11 x 3 voxels across the block, around its axis, at this height above its lower end.
  void plateAt(double mm) {
    for (std::size_t n = 0; n < scan.calm.count(); ++n) {
      const Vec3 p = scan.calm.centre(n) - Vec3(11, 11, 4 + mm);
      if (std::abs(p.x()) <= 2.5 && std::abs(p.y()) <= 2.5 && std::abs(p.z()) <= 0.5) scan.calm.v[n] = 900;
    }
  }
  [[nodiscard]] double dense(const NearestPoints* metal = nullptr) const {
    return denseInside(scan, labels, kLabel, surface, metal);
  }
};

TEST(DenseInside, ShowsThePlatesOfAJointThatWasNotSeen) {
  Block bone(60);
  EXPECT_EQ(bone.dense(), 0) << "the wall does not count";
  bone.plateAt(6);
  EXPECT_NEAR(bone.dense(), 11 * 11 * 3 * std::pow(kVoxelMm, 3), 1e-9);
  const NearestPoints metal({Vec3(11, 11, 14)});
  EXPECT_EQ(bone.dense(&metal), 0) << "metal makes streaks";
}

TEST(DenseInside, AShaftHasAThickWall) {
  Block shaft(60);
  shaft.plateAt(30);
  EXPECT_EQ(shaft.dense(), 0);
  Block tarsal(20);
  tarsal.plateAt(10);
  EXPECT_GT(tarsal.dense(), 15) << "a tarsal bone has no shaft";
  Block rim(60);
  rim.plateAt(1.5);
  EXPECT_EQ(rim.dense(), 0) << "under the end's own plate";
}

TEST(DenseInside, OfALabelThatIsNowhereIsNought) {
  const Block bone(20);
  EXPECT_EQ(denseInside(bone.scan, bone.labels, label(Bone::kM2), bone.surface, nullptr), 0);
}

}  // namespace
}  // namespace rayset::bones
