// What bones/segmenter.h promises of any result, for the tests of every segmenter.
#pragma once

#include <gtest/gtest.h>

#include <algorithm>
#include <string>

#include "anatomy/labels.h"
#include "bones/segmenter.h"
#include "image/voxelise.h"

namespace rayset::test {

/// One result by itself.
inline void expectContractKept(const CtVolume& ct, const BonesResult& found) {
  ASSERT_GE(found.feet.size(), 1U);
  ASSERT_LE(found.feet.size(), 2U);
  EXPECT_EQ(found.labels.grid.size, ct.grid.size);
  EXPECT_EQ(found.labels.grid.origin, ct.grid.origin);
  EXPECT_EQ(found.labels.grid.spacing, ct.grid.spacing);
  EXPECT_EQ(found.labels.grid.direction, ct.grid.direction);
  ASSERT_EQ(found.labels.voxels.size(), ct.grid.count());
  LabelVolume covered(ct.grid);  // what lies inside any surface
  std::ptrdiff_t labelled = 0;
  const auto check = [&](const std::string& id, const SegmentedBone& bone, std::uint8_t value) {
    EXPECT_TRUE(isClosed(bone.surface)) << id;
    EXPECT_GT(bone.volume_mm3, 0) << id;
    EXPECT_NEAR(bone.volume_mm3, volume(bone.surface), 1e-6 * bone.volume_mm3) << id;
    EXPECT_GE(bone.confidence, 0) << id;
    EXPECT_LE(bone.confidence, 1) << id;
    EXPECT_EQ(bone.doubts.empty(), bone.doubt.empty()) << id << ": words and text go together";
    fillInside(covered, bone.surface, 1);
    LabelVolume own(ct.grid);
    fillInside(own, bone.surface, 1);
    std::ptrdiff_t astray = 0;
    for (std::size_t v = 0; v < own.voxels.size(); ++v) {
      if (found.labels.voxels[v] != value) continue;
      ++labelled;
      astray += own.voxels[v] == 0 ? 1 : 0;
    }
    EXPECT_EQ(astray, 0) << id << ": voxels with its label outside its surface";
  };
  for (std::size_t k = 0; k < found.feet.size(); ++k) {
    for (const auto& [bone, b] : found.feet[k].bones) check(std::string(boneId(bone)), b, labelInScan(label(bone), k));
    for (const auto& [id, b] : found.feet[k].fragments) check(id, b, labelInScan(fragmentLabel(id), k));
  }
  const auto background = [](const LabelVolume& v) { return std::count(v.voxels.begin(), v.voxels.end(), 0); };
  const auto all = static_cast<std::ptrdiff_t>(ct.grid.count());
  EXPECT_EQ(all - background(found.labels), labelled) << "labels of nothing that was found";
  EXPECT_EQ(all - background(covered), labelled) << "voxels inside a surface without a label";
}

/// Two results of the same scan.
inline void expectSame(const BonesResult& a, const BonesResult& b) {
  const auto same = [](const std::string& id, const SegmentedBone& one, const SegmentedBone& two) {
    EXPECT_TRUE(one.surface.vertices == two.surface.vertices) << id;
    EXPECT_TRUE(one.surface.triangles == two.surface.triangles) << id;
    EXPECT_EQ(one.volume_mm3, two.volume_mm3) << id;
    EXPECT_EQ(one.confidence, two.confidence) << id;
    EXPECT_EQ(one.complete, two.complete) << id;
    EXPECT_EQ(one.doubts, two.doubts) << id;
    EXPECT_EQ(one.doubt, two.doubt) << id;
    EXPECT_EQ(one.mean_hu, two.mean_hu) << id;
  };
  ASSERT_EQ(a.feet.size(), b.feet.size());
  for (std::size_t k = 0; k < a.feet.size(); ++k) {
    const SegmentedFoot &one = a.feet[k], &two = b.feet[k];
    EXPECT_EQ(one.side, two.side);
    ASSERT_EQ(one.bones.size(), two.bones.size());
    for (const auto& [bone, of] : one.bones) {
      ASSERT_TRUE(two.bones.contains(bone)) << boneId(bone);
      same(std::string(boneId(bone)), of, two.bones.at(bone));
    }
    ASSERT_EQ(one.fragments.size(), two.fragments.size());
    for (const auto& [id, of] : one.fragments) {
      ASSERT_TRUE(two.fragments.contains(id)) << id;
      same(id, of, two.fragments.at(id));
    }
    EXPECT_EQ(one.flecks.size(), two.flecks.size());
  }
  EXPECT_TRUE(a.labels.voxels == b.labels.voxels);
  EXPECT_EQ(a.cautions, b.cautions);
  EXPECT_EQ(a.edited, b.edited);
}

}  // namespace rayset::test
