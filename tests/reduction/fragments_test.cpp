// Fragments put back on their bone, from true surfaces: the pose of the truth comes out.
#include "reduction/fragments.h"

#include <gmock/gmock.h>

#include "anatomy/procedural_foot.h"
#include "base/units.h"
#include "geometry/ray_caster.h"
#include "phantom/injury_spec.h"

namespace rayset {
namespace {

const IntactFoot& foot() {
  static const IntactFoot intact(proceduralFoot({}, Side::kRight, 0.8).bones, Side::kRight);
  return intact;
}

class FragmentReductions : public testing::TestWithParam<BaseFragment> {};

TEST_P(FragmentReductions, FindTheBreak) {
  InjurySpec spec = namedInjury(NamedInjury::kLateralPartial);
  spec.fragment = GetParam();
  const auto injured = injure(foot(), spec);
  ASSERT_TRUE(injured);
  // Turned too, as a fragment is once its ligament pulls.
  std::map<std::string, Surface> scanned;
  std::map<std::string, Rigid> wanted;
  for (const auto& [id, surface] : injured->fragments) {
    const Rigid turn = turnAbout(centroid(surface), Vec3(0.08, -0.05, 0.06), Vec3::Zero());
    scanned[id] = transformed(surface, turn);
    wanted[id] = injured->intact_to_injured.at(Ray(2)) * injured->fragment_injured_to_reduced.at(id) * turn.inverse();
  }
  const FragmentsReduced reduced = reduceFragments(injured->injured.at(Bone::kM2), scanned);
  for (const auto& [id, r] : reduced.fragments) {
    EXPECT_EQ(r.doubt, "");
    const Vec3 centre = centroid(scanned.at(id));
    // Design bounds: half of what the image's resolution leaves (docs/decisions/fragments.md).
    EXPECT_LT((r.injured_to_bone * centre - wanted.at(id) * centre).norm(), 0.25) << id;
    EXPECT_LT(toDegrees(rotationAngle(r.injured_to_bone.linear().transpose() * wanted.at(id).linear())), 1.5) << id;
    EXPECT_LT(r.gap_mm, 0.3);
    EXPECT_GT(r.uncertainty_mm, 0);
  }
  const Surface intact = transformed(injured->intact.at(Bone::kM2), injured->intact_to_injured.at(Ray(2)));
  EXPECT_LT(compareSurfaces(reduced.whole, intact).mean, 0.1);
  EXPECT_TRUE(isClosed(reduced.whole));
}

INSTANTIATE_TEST_SUITE_P(Kinds, FragmentReductions,
                         testing::Values(BaseFragment::kShear, BaseFragment::kButterfly, BaseFragment::kY));

TEST(FragmentReduction, APieceFarFromItsBoneIsLeftWhereItIs) {
  const BoneSurfaces bones = proceduralFoot({}, Side::kRight, 1.0).bones;
  const Surface& bone = bones.at(Bone::kM2);
  const std::map<std::string, Surface> piece{{"M2.1", makeSphere(centroid(bone) + Vec3(0, 0, 40), 4)}};
  const FragmentsReduced reduced = reduceFragments(bone, piece);
  EXPECT_NE(reduced.fragments.at("M2.1").doubt, "");
  EXPECT_TRUE(reduced.fragments.at("M2.1").injured_to_bone.isApprox(Rigid::Identity()));
}

TEST(FragmentReduction, WithoutFragmentsTheBoneStaysAsItIs) {
  const Surface bone = makeSphere(Vec3::Zero(), 5);
  const FragmentsReduced reduced = reduceFragments(bone, {});
  EXPECT_TRUE(reduced.fragments.empty());
  EXPECT_EQ(reduced.whole.vertices.size(), bone.vertices.size());
}

}  // namespace
}  // namespace rayset
