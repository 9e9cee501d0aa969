// Injuries: their sizes, their truth, that bones do not pass through each other, and the fragments of the second base.
#include "phantom/injury_spec.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <filesystem>
#include <set>
#include <sstream>

#include "anatomy/frames.h"
#include "anatomy/procedural_foot.h"
#include "base/units.h"
#include "english.h"
#include "geometry/ray_caster.h"
#include "injury/displacement.h"

namespace rayset {
namespace {

struct NamedFoot {
  std::string name;
  Side side;
  BoneSurfaces bones;
  IntactFoot ready{bones, side};
};

/// The procedural foot and every real one that is there.
const std::vector<NamedFoot>& feet() {
  static const std::vector<NamedFoot> all = [] {
    std::vector<NamedFoot> list;
    list.push_back(
        {.name = "procedural right", .side = Side::kRight, .bones = proceduralFoot({}, Side::kRight, 0.8).bones});
    list.push_back({.name = "procedural left",
                    .side = Side::kLeft,
                    .bones = proceduralFoot(randomShape(3), Side::kLeft, 0.8).bones});
    const std::filesystem::path root = RAYSET_FEET_DIR;
    if (!std::filesystem::is_directory(root))
      std::cout << "No real feet at hand (" << root << "): injuries are checked on procedural feet only.\n";
    else
      for (const char* name : {"vsd-z027/right", "vsd-z027/left", "visible-human-m/right"}) {
        auto bones = readBoneFolder(root / name);
        if (!bones) {
          ADD_FAILURE() << english(bones.error());
          continue;
        }
        const auto side = sideFromAnatomy(*bones);
        list.push_back({.name = name, .side = side.value_or(Side::kRight), .bones = std::move(*bones)});
      }
    return list;
  }();
  return all;
}

RayDisplacement truthOf(const InjuredFoot& foot, Ray ray) {
  return displacement(ray, foot.intact_to_injured[ray], foot.base_points.at(ray), foot.frame);
}

std::set<int> setOf(NamedInjury name) {
  switch (name) {
    case NamedInjury::kNone:
      return {};
    case NamedInjury::kHomolateral:
    case NamedInjury::kDivergent:
      return {1, 2, 3, 4, 5};
    case NamedInjury::kIsolated:
      return {1};
    case NamedInjury::kMedialPartial:
      return {1, 2};
    case NamedInjury::kLateralPartial:
      return {2, 3, 4, 5};
  }
  return {};
}

TEST(Injury, NamedOnesMoveTheirRaysAndNoOthersOnEveryFoot) {
  for (const NamedFoot& foot : feet())
    for (const NamedInjury name : kNamedInjuries) {
      SCOPED_TRACE(foot.name + " " + std::string(wordOf(name)));
      const auto injured = injure(foot.ready, namedInjury(name));
      ASSERT_TRUE(injured) << english(injured.error());
      const std::set<int> rays = setOf(name);
      std::ostringstream line;
      line << foot.name << ", " << wordOf(name) << ":";
      for (const Ray ray : kRays) {
        const RayDisplacement d = truthOf(*injured, ray);
        if (!rays.contains(ray.number())) {
          EXPECT_TRUE(injured->intact_to_injured[ray].isApprox(Rigid::Identity(), 0)) << "ray " << ray.number();
          continue;
        }
        EXPECT_TRUE(d.displaced) << "ray " << ray.number();
        EXPECT_GT(d.asideMm(), 3) << "ray " << ray.number();
        // Direction as the name says, after easing too.
        const bool medial = (name == NamedInjury::kDivergent || name == NamedInjury::kIsolated ||
                             name == NamedInjury::kMedialPartial) &&
                            ray <= (name == NamedInjury::kMedialPartial ? 2 : 1);
        if (medial)
          EXPECT_LT(d.lateral_mm, -0.5) << "ray " << ray.number();
        else
          EXPECT_GT(d.lateral_mm, 2.5) << "ray " << ray.number();
        EXPECT_GT(d.dorsal_mm, 2) << "ray " << ray.number();
        EXPECT_LT(injured->eased_mm[ray], 8) << "ray " << ray.number();
        line << " " << ray.number() << " eased " << injured->eased_mm[ray] << " mm;";
        // The bone in the scan is the intact one moved by the truth.
        const Surface expected = transformed(foot.bones.at(metatarsal(ray)), injured->intact_to_injured[ray]);
        const Surface& got = injured->injured.at(metatarsal(ray));
        ASSERT_EQ(expected.vertices.size(), got.vertices.size());
        EXPECT_LT((expected.vertices.front() - got.vertices.front()).norm(), 1e-9);
      }
      std::cout << line.str() << "\n";
    }
}

TEST(Injury, BonesDoNotPassThroughEachOther) {
  for (const NamedFoot& foot : feet()) {
    const NamedInjury name = foot.side == Side::kLeft ? NamedInjury::kDivergent : NamedInjury::kHomolateral;
    SCOPED_TRACE(foot.name + " " + std::string(wordOf(name)));
    const auto injured = injure(foot.ready, namedInjury(name));
    ASSERT_TRUE(injured) << english(injured.error());
    for (const auto& [a, b] : {std::pair{Bone::kM1, Bone::kM2},
                               {Bone::kM2, Bone::kM3},
                               {Bone::kM3, Bone::kM4},
                               {Bone::kM4, Bone::kM5},
                               {Bone::kM1, Bone::kC1},
                               {Bone::kM2, Bone::kC1},
                               {Bone::kM2, Bone::kC2},
                               {Bone::kM2, Bone::kC3},
                               {Bone::kM3, Bone::kC3},
                               {Bone::kM4, Bone::kCub},
                               {Bone::kM5, Bone::kCub},
                               {Bone::kM1, Bone::kC2}}) {
      // Ray casting, not the distance fields that injure() itself looks at.
      const auto depth = [](const Surface& of, const Surface& in) {
        const RayCaster caster({&in});
        const Box near(bounds(in));
        double deepest = 0;
        for (const OrientedPoint& p : sampleEvenly(of, 800))
          if (near.contains(p.position)) deepest = std::max(deepest, -caster.signedDistance(p.position, 10));
        return deepest;
      };
      const double deepest = depth(injured->injured.at(a), injured->injured.at(b));
      const double before = depth(foot.bones.at(a), foot.bones.at(b));
      EXPECT_LT(deepest, std::max(0.2, before) + 0.1) << boneId(a) << " in " << boneId(b);
    }
  }
}

TEST(Injury, TruthIsWhatWasAskedWhereNothingIsInTheWay) {
  const NamedFoot& foot = feet().front();
  InjurySpec spec;
  spec.rays[Ray(5)] = {.lateral_mm = 8,
                       .dorsal_mm = 3,
                       .distal_mm = 1,
                       .abduction_rad = 0.2,
                       .plantarflexion_rad = 0.1,
                       .pronation_rad = -0.1};
  const auto injured = injure(foot.ready, spec);
  ASSERT_TRUE(injured) << english(injured.error());
  ASSERT_EQ(injured->eased_mm.at(Ray(5)), 0);
  const RayDisplacement d = truthOf(*injured, Ray(5));
  EXPECT_NEAR(d.lateral_mm, 8, 1e-9);
  EXPECT_NEAR(d.dorsal_mm, 3, 1e-9);
  EXPECT_NEAR(d.distal_mm, 1, 1e-9);
  EXPECT_NEAR(d.abduction_rad, 0.2, 1e-9);
  EXPECT_NEAR(d.plantarflexion_rad, 0.1, 1e-9);
  EXPECT_NEAR(d.pronation_rad, -0.1, 1e-9);
}

TEST(Injury, WhatGoesThroughABoneIsEasedOut) {
  const NamedFoot& foot = feet().front();
  InjurySpec spec;
  spec.rays.at(Ray(2)).lateral_mm = 5;  // straight into the third cuneiform and the third metatarsal
  const auto injured = injure(foot.ready, spec);
  ASSERT_TRUE(injured) << english(injured.error());
  EXPECT_GT(injured->eased_mm.at(Ray(2)), 0.5);
  for (const Bone other : {Bone::kM3, Bone::kC3})
    EXPECT_LT(overlapMm(injured->injured.at(Bone::kM2), injured->injured.at(other)), 0.25) << boneId(other);
}

TEST(Injury, ToesGoWithTheirRay) {
  const NamedFoot& foot = feet().front();
  ASSERT_TRUE(foot.bones.contains(Bone::kToes));
  const auto injured = injure(foot.ready, namedInjury(NamedInjury::kLateralPartial));
  ASSERT_TRUE(injured) << english(injured.error());
  // How near each head is to its toe does not change.
  for (const Ray ray : kRays) {
    const auto gap = [&](const BoneSurfaces& bones) {
      const RayCaster toes({&bones.at(Bone::kToes)});
      const Vec3 head = metatarsalAxis(bones.at(metatarsal(ray)), injured->frame.distal).head_centre;
      return toes.nearest(head)->distance;
    };
    EXPECT_NEAR(gap(injured->injured), gap(foot.bones), 0.3) << "ray " << ray.number();
  }
  EXPECT_EQ(injured->injured.at(Bone::kToes).triangles.size(), foot.bones.at(Bone::kToes).triangles.size());
}

TEST(Injury, FragmentsAreClosedAndMakeUpTheBone) {
  for (std::size_t n = 0; n < feet().size(); n += 2)  // a procedural right foot, a real one, another person's
    for (const BaseFragment kind : {BaseFragment::kShear, BaseFragment::kButterfly, BaseFragment::kY}) {
      const NamedFoot& foot = feet()[n];
      SCOPED_TRACE(foot.name + " " + std::string(wordOf(kind)));
      InjurySpec spec = namedInjury(NamedInjury::kHomolateral);
      spec.fragment = kind;
      const auto injured = injure(foot.ready, spec);
      ASSERT_TRUE(injured) << english(injured.error());
      ASSERT_EQ(injured->fragments.size(), kind == BaseFragment::kY ? 2U : 1U);
      const Surface& main = injured->injured.at(Bone::kM2);
      EXPECT_TRUE(isClosed(main));
      double sum = volume(main);
      const double whole = volume(foot.bones.at(Bone::kM2));
      for (const auto& [id, piece] : injured->fragments) {
        EXPECT_TRUE(isClosed(piece)) << id;
        EXPECT_GT(volume(piece), 60) << id;
        EXPECT_LT(volume(piece), 0.45 * whole) << id;
        sum += volume(piece);
        // Back where it belongs it fits the main part, and it had moved away from it.
        const Surface back = transformed(piece, injured->fragment_injured_to_reduced.at(id));
        const Surface main_back = transformed(main, injured->intact_to_injured.at(Ray(2)).inverse());
        const RayCaster rest({&main_back});
        for (const OrientedPoint& p : sampleEvenly(back, 300))
          EXPECT_GT(rest.signedDistance(p.position, 5), -0.2) << id << " overlaps the main part where it belongs";
        const Rigid relative = injured->fragment_injured_to_reduced.at(id) * injured->intact_to_injured.at(Ray(2));
        EXPECT_GT(relative.translation().norm(), 0.3) << id << ": gap";
        const RayCaster bone({&foot.bones.at(Bone::kM2)});
        for (const OrientedPoint& p : sampleEvenly(back, 200))
          EXPECT_LT(bone.signedDistance(p.position, 5), 0.15) << id << " leaves the bone it came from";
        std::cout << foot.name << " " << wordOf(kind) << " " << id << ": " << volume(piece) << " mm3, moved "
                  << relative.translation().norm() << " mm\n";
      }
      EXPECT_NEAR(sum / whole, 1, 0.02);
      // Pieces of the scan know their unbroken bone.
      int with_whole = 0;
      for (const ScannedPart& part : scannedParts(*injured)) with_whole += part.whole != nullptr ? 1 : 0;
      EXPECT_EQ(with_whole, static_cast<int>(injured->fragments.size()) + 1);
    }
}

TEST(Injury, RandomOnesStayInTheClinicalRangeAndRepeat) {
  std::set<NamedInjury> kinds;
  for (std::uint64_t seed = 0; seed < 200; ++seed) {
    const RandomInjury a = randomInjury(seed), b = randomInjury(seed);
    kinds.insert(a.kind);
    for (const Ray ray : kRays) {
      const RayInjury& r = a.spec.rays.at(ray);
      EXPECT_EQ(r.moves(), setOf(a.kind).contains(ray.number()));
      EXPECT_EQ(r.lateral_mm, b.spec.rays.at(ray).lateral_mm);
      if (!r.moves()) continue;
      const double shift = std::hypot(r.lateral_mm, r.dorsal_mm);
      EXPECT_GE(shift, 2.99);
      EXPECT_LE(shift, 12.01);
      for (const double turn : {r.abduction_rad, r.plantarflexion_rad, r.pronation_rad})
        EXPECT_LE(std::abs(toDegrees(turn)), 20.01);
    }
  }
  EXPECT_EQ(kinds.size(), 5U);
}

TEST(Injury, RandomOnesCanBeGivenToAFoot) {
  const NamedFoot& foot = feet().front();
  for (std::uint64_t seed = 1; seed <= 4; ++seed) {
    const auto injured = injure(foot.ready, randomInjury(seed).spec);
    EXPECT_TRUE(injured) << seed << ": " << english(injured.error());
  }
}

TEST(Injury, WordsGoBothWays) {
  for (const NamedInjury name : kNamedInjuries) EXPECT_EQ(namedInjuryFromWord(wordOf(name)), name);
  for (const BaseFragment kind :
       {BaseFragment::kNone, BaseFragment::kShear, BaseFragment::kButterfly, BaseFragment::kY})
    EXPECT_EQ(baseFragmentFromWord(wordOf(kind)), kind);
  EXPECT_FALSE(namedInjuryFromWord("sideways"));
}

TEST(InjuryFile, IsReadAsWritten) {
  const auto spec = parseInjurySpec(R"({"rays":[{"ray":2,"shift_mm":{"lateral":6,"dorsal":3.5},
      "turn_deg":{"abduction":10,"pronation":-2}},{"ray":5}],"fragment":"y","fragment_gap_mm":2})",
                                    "test");
  ASSERT_TRUE(spec) << english(spec.error());
  EXPECT_DOUBLE_EQ(spec->rays.at(Ray(2)).lateral_mm, 6);
  EXPECT_DOUBLE_EQ(spec->rays.at(Ray(2)).dorsal_mm, 3.5);
  EXPECT_DOUBLE_EQ(spec->rays.at(Ray(2)).distal_mm, 0);
  EXPECT_NEAR(toDegrees(spec->rays.at(Ray(2)).abduction_rad), 10, 1e-12);
  EXPECT_NEAR(toDegrees(spec->rays.at(Ray(2)).pronation_rad), -2, 1e-12);
  EXPECT_FALSE(spec->rays.at(Ray(5)).moves());
  EXPECT_EQ(spec->fragment, BaseFragment::kY);
  EXPECT_DOUBLE_EQ(spec->fragment_gap_mm, 2);
}

TEST(InjuryFile, SaysWhatIsWrongAndWhere) {
  const std::vector<std::pair<std::string, std::string>> cases{
      {"{", "not valid JSON"},
      {"[]", "object"},
      {R"({"rays":{}})", "list"},
      {R"({"rays":[{}]})", "1 to 5"},
      {R"({"rays":[{"ray":6}]})", "rays[0]"},
      {R"({"rays":[{"ray":2},{"ray":2}]})", "twice"},
      {R"({"rays":[{"ray":2,"shift_mm":{"laterl":3}}]})", "rays[0].shift_mm.laterl"},
      {R"({"rays":[{"ray":2,"shift_mm":{"lateral":"3"}}]})", "not a number"},
      {R"({"rays":[{"ray":2,"shift_mm":{"lateral":300}}]})", "out of range"},
      {R"({"rays":[{"ray":2,"turn":{}}]})", "rays[0].turn"},
      {R"({"fragment":"star"})", "butterfly"},
      {R"({"fragment_gap_mm":-1})", "0 to 10"},
      {R"({"ray":[]})", "unknown entry"},
  };
  for (const auto& [text, part] : cases) {
    const auto spec = parseInjurySpec(text, "injury.json");
    ASSERT_FALSE(spec) << text;
    EXPECT_EQ(spec.error().fault, Fault::kRequest);
    EXPECT_THAT(english(spec.error()), testing::HasSubstr(part)) << text;
    EXPECT_THAT(english(spec.error()), testing::HasSubstr("injury.json")) << text;
  }
  EXPECT_FALSE(readInjurySpec("/nonexistent/injury.json"));
}

TEST(Injury, SaysWhichBoneIsMissing) {
  BoneSurfaces bones = feet().front().bones;
  bones.erase(Bone::kM4);
  const auto injured = injure(bones, Side::kRight, namedInjury(NamedInjury::kHomolateral));
  ASSERT_FALSE(injured);
  EXPECT_THAT(english(injured.error()), testing::HasSubstr("M4"));
  EXPECT_TRUE(injure(bones, Side::kRight, namedInjury(NamedInjury::kIsolated)));
}

/// A procedural foot, and a real one where it is there: contact is a matter of two bones.
std::vector<NamedFoot> twoFeet() {
  std::vector<NamedFoot> list;
  list.push_back({.name = "procedural left",
                  .side = Side::kLeft,
                  .bones = proceduralFoot(randomShape(3), Side::kLeft, 1.0).bones});
  auto bones = readBoneFolder(std::filesystem::path(RAYSET_FEET_DIR) / "vsd-z027/right");
  if (bones)
    list.push_back({.name = "vsd-z027/right", .side = Side::kRight, .bones = std::move(*bones)});
  else
    std::cout << "No real foot at hand: contact is checked on a procedural foot only.\n";
  return list;
}

/// Smallest distance from the vertices of `a` to `b`.
double gapBetween(const Surface& a, const Surface& b) {
  const RayCaster target({&b});
  double least = 1e9;
  for (const Vec3& v : a.vertices) least = std::min(least, target.nearest(v)->distance);
  return least;
}

TEST(Contact, PressesAMetatarsalAgainstItsNeighbourAndTheTruthKnows) {
  for (const NamedFoot& foot : twoFeet()) {
    InjurySpec spec;
    spec.contacts = {{Bone::kM1, Bone::kC1}};
    const auto pressed = injure(foot.ready, spec);
    ASSERT_TRUE(pressed) << foot.name << english(pressed.error());
    EXPECT_LT(gapBetween(pressed->injured.at(Bone::kM1), pressed->injured.at(Bone::kC1)), 0.12) << foot.name;
    EXPECT_LT(overlapMm(pressed->injured.at(Bone::kM1), pressed->injured.at(Bone::kC1)), 0.35) << foot.name;
    for (const Ray ray : {Ray(2), Ray(3), Ray(4), Ray(5)})
      EXPECT_TRUE(pressed->intact_to_injured.at(ray).isApprox(Rigid::Identity()));
    const Surface& intact = pressed->intact.at(Bone::kM1);
    const Surface& injured = pressed->injured.at(Bone::kM1);
    EXPECT_EQ(intact.vertices, foot.bones.at(Bone::kM1).vertices) << "where it belongs stays";
    for (std::size_t n = 0; n < intact.vertices.size(); n += 97)
      EXPECT_LT((pressed->intact_to_injured.at(Ray(1)) * intact.vertices[n] - injured.vertices[n]).norm(), 1e-9);
  }
}

TEST(Contact, GrowsTwoTarsalBonesTogetherInPlace) {
  for (const NamedFoot& foot : twoFeet()) {
    const double before = gapBetween(foot.bones.at(Bone::kC2), foot.bones.at(Bone::kC3));
    InjurySpec spec = namedInjury(NamedInjury::kIsolated);
    spec.contacts = {{Bone::kC2, Bone::kC3}};
    const auto grown = injure(foot.ready, spec);
    ASSERT_TRUE(grown) << foot.name << english(grown.error());
    const Surface& c2 = grown->injured.at(Bone::kC2);
    const Surface& c3 = grown->injured.at(Bone::kC3);
    EXPECT_TRUE(isClosed(c2));
    EXPECT_LT(gapBetween(c2, c3), std::min(0.1, before + 1e-9)) << foot.name;
    EXPECT_LT(overlapMm(c2, c3), 0.35) << foot.name;
    const double share = volume(c2) / volume(foot.bones.at(Bone::kC2));
    EXPECT_GE(share, 1) << foot.name;
    EXPECT_LT(share, 1.06) << foot.name;
    EXPECT_EQ(grown->intact.at(Bone::kC2).vertices, c2.vertices) << "the truth is what was scanned";
    EXPECT_EQ(grown->injured.at(Bone::kC1).vertices, foot.bones.at(Bone::kC1).vertices);
    EXPECT_GT(truthOf(*grown, Ray(1)).dorsal_mm, 0.5) << "the injury is there as well";
  }
}

TEST(Contact, BridgesTheJointInTheScan) {
  const Foot foot = proceduralFoot({}, Side::kRight, 1.0);
  const auto brightness_between = [](const InjuredFoot& f) {
    const Surface& c2 = f.injured.at(Bone::kC2);
    const Surface& c3 = f.injured.at(Bone::kC3);
    ScanSettings s;
    s.noise_hu = 0;
    s.texture = false;
    const auto ct = synthesiseCt({{.id = "C2", .surface = &c2}, {.id = "C3", .surface = &c3}}, s);
    EXPECT_TRUE(ct);
    // Halfway across the joint wherever the bones face each other closely.
    const RayCaster target({&c3});
    double sum = 0;
    int n = 0;
    double least = 1e9;
    for (const OrientedPoint& p : sampleEvenly(c2, 3000)) least = std::min(least, target.nearest(p.position)->distance);
    for (const OrientedPoint& p : sampleEvenly(c2, 3000)) {
      const auto hit = target.nearest(p.position);
      if (hit->distance > least + 0.3) continue;
      sum += sampleLinear(*ct, Vec3(0.5 * (p.position + hit->position)), 0);
      ++n;
    }
    return sum / n;
  };
  InjurySpec spec;
  const auto apart = injure(foot.bones, foot.side, spec);
  spec.contacts = {{Bone::kC2, Bone::kC3}};
  const auto touching = injure(foot.bones, foot.side, spec);
  ASSERT_TRUE(apart && touching);
  EXPECT_LT(brightness_between(*apart), 500);
  EXPECT_GT(brightness_between(*touching), 700);
}

TEST(Contact, WordsAndRefusals) {
  const auto pairs = contactsFromWords("M1-C1,C2-C3");
  ASSERT_TRUE(pairs);
  EXPECT_EQ(wordsOf(*pairs), "M1-C1,C2-C3");
  for (const char* wrong : {"M1", "M1-", "M1-M1", "M1-tibia", "M9-C1", "M1-C1,,C2-C3"})
    EXPECT_FALSE(contactsFromWords(wrong)) << wrong;
  const auto spec = parseInjurySpec(R"({"contact": ["M2-C2"]})", "here");
  ASSERT_TRUE(spec);
  EXPECT_EQ(wordsOf(spec->contacts), "M2-C2");
  EXPECT_FALSE(parseInjurySpec(R"({"contact": "M2-C2"})", "here"));
  EXPECT_FALSE(parseInjurySpec(R"({"contact": ["M2"]})", "here"));
  InjurySpec far;
  far.contacts = {{Bone::kM1, Bone::kCal}};
  const Foot foot = proceduralFoot({}, Side::kRight, 1.0);
  const IntactFoot ready(foot.bones, foot.side);
  const auto apart = injure(ready, far);
  ASSERT_FALSE(apart);
  EXPECT_THAT(english(apart.error()), testing::HasSubstr("M1 and Cal"));
  far.contacts = {{Bone::kC1, Bone::kCal}};
  EXPECT_FALSE(injure(ready, far));
}

}  // namespace
}  // namespace rayset
