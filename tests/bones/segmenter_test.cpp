// The template segmenter keeps what bones/segmenter.h promises.
#include <gtest/gtest.h>
#include <tbb/global_control.h>

#include <atomic>

#include "anatomy/procedural_foot.h"
#include "bones/segment.h"
#include "english.h"
#include "phantom/injury_spec.h"
#include "phantom/scan.h"
#include "segmenter_contract.h"

namespace rayset {
namespace {

/// The midfoot and forefoot of the mean foot, its second metatarsal broken.
CtVolume brokenFoot() {
  BoneSurfaces bones = proceduralFoot({}, Side::kRight, 0.8).bones;
  for (const Bone b : {Bone::kToes, Bone::kSesamoids, Bone::kTibia, Bone::kFibula, Bone::kTal, Bone::kCal})
    bones.erase(b);
  InjurySpec spec = namedInjury(NamedInjury::kHomolateral);
  spec.fragment = BaseFragment::kShear;
  const auto injured = injure(bones, Side::kRight, spec);
  ScanSettings settings;
  settings.pixel_mm = settings.slice_mm = 0.6;
  settings.margin_mm = 6;
  return *synthesiseCt(scannedParts(*injured), settings);
}

TEST(TheTemplateSegmenter, KeepsTheContract) {
  const CtVolume ct = brokenFoot();
  const TemplateSegmenter segmenter;
  const auto found = segmenter.segment(ct, {}, {});
  ASSERT_TRUE(found.has_value()) << english(found.error());
  test::expectContractKept(ct, *found);
  const SegmentedFoot& foot = found->feet.front();
  EXPECT_EQ(foot.fragments.size(), 1U);
  for (const auto& [bone, b] : foot.bones)
    EXPECT_TRUE(std::holds_alternative<TemplateEvidence>(b.evidence)) << boneId(bone);
  for (const auto& [id, b] : foot.fragments) EXPECT_TRUE(std::holds_alternative<std::monostate>(b.evidence)) << id;

  const tbb::global_control one(tbb::global_control::max_allowed_parallelism, 1);
  const auto again = segmenter.segment(ct, {}, {});
  ASSERT_TRUE(again.has_value()) << english(again.error());
  test::expectSame(*found, *again);
}

TEST(TheTemplateSegmenter, StopsWhenCancelled) {
  Grid grid;
  grid.size = {64, 64, 64};
  const std::atomic<bool> stop{true};
  Progress progress;
  progress.stop = &stop;
  const auto ended = TemplateSegmenter().segment(CtVolume(grid, -1000), {}, progress);
  ASSERT_FALSE(ended.has_value());
  EXPECT_EQ(ended.error().fault, Fault::kCancelled);
}

}  // namespace
}  // namespace rayset
