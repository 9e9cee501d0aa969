// Which bone a voxel belongs to where two of them touch, and what comes home, on shapes whose answer is known.
#include "bones/borders.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <functional>

#include "bones/evidence.h"
#include "bones/features.h"
#include "bones/leaves.h"
#include "bones/lumps.h"
#include "bones/strays.h"
#include "geometry/distance_field.h"

namespace rayset::bones {
namespace {

constexpr double kContrast = 860;
constexpr std::uint8_t kStray = 254, kNobody = 255;

struct Scene {
  Image image;
  Levels levels;
  std::vector<std::uint8_t> owner;

  explicit Scene(int nx, int ny, int nz) {
    image.size = {nx, ny, nz};
    image.h = 0.5;
    image.v.assign(static_cast<std::size_t>(image.size.prod()), 40.0F);
    owner.assign(image.v.size(), kNobody);
    levels.bright = 900;
    levels.soft = 40;
    levels.bone = 250;
  }
  void each(const std::function<void(const Vec3&, std::size_t)>& visit) const {
    for (int k = 0; k < image.size.z(); ++k)
      for (int j = 0; j < image.size.y(); ++j)
        for (int i = 0; i < image.size.x(); ++i) visit(image.h * Vec3(i, j, k), image.offset(i, j, k));
  }
  [[nodiscard]] SheetAt sheet() const {
    return [this](std::size_t, int i, int j, int k) {
      return static_cast<double>(darkSheet(image, i, j, k, 0.5)) / kContrast;
    };
  }
  [[nodiscard]] SheetAt plates() const {
    return [this](std::size_t, int i, int j, int k) {
      return static_cast<double>(brightSheet(image, levels, i, j, k)) / kContrast;
    };
  }
};

/// Two blocks of bone, 10 mm wide, that meet at x = 15 mm across a dark gap of 1 mm, which is closed over a patch of
/// 3 x 3 mm in the middle; the first has leaked `leak_mm` into the second through that patch.
Scene leakingBlocks(double leak_mm) {
  Scene s(60, 26, 26);
  s.each([&](const Vec3& p, std::size_t n) {
    const double across = std::max(std::abs(p.y() - 6.25), std::abs(p.z() - 6.25));
    if (p.x() < 2 || p.x() > 28 || across > 5) return;
    const bool gap = std::abs(p.x() - 15) < 0.6 && across > 1.5;
    s.image.v[n] = gap ? 150.0F : 600.0F;
    s.owner[n] = p.x() < 15 + leak_mm ? 0 : 1;
  });
  smooth(s.image, 0.4);
  return s;
}

TEST(Borders, ALeakThroughAClosedPatchOfAJointIsTakenBack) {
  Scene s = leakingBlocks(3);
  const auto sure = [&](std::size_t n, std::uint8_t) {
    const double x = 0.5 * static_cast<double>(n % 60);
    return x < 8 || x > 22;
  };
  settleBorders(s.image, s.sheet(), s.plates(), sure, s.owner);
  std::size_t wrong = 0, all = 0;
  s.each([&](const Vec3& p, std::size_t n) {
    if (s.owner[n] == kNobody || std::abs(p.x() - 15) < 0.8) return;
    ++all;
    if (s.owner[n] != (p.x() < 15 ? 0 : 1)) ++wrong;
  });
  EXPECT_GT(all, 15000U);
  EXPECT_EQ(wrong, 0U);
}

TEST(Borders, WhatIsSureStays) {
  Scene s = leakingBlocks(8);
  const std::vector<std::uint8_t> before = s.owner;
  settleBorders(
      s.image, s.sheet(), s.plates(), [](std::size_t, std::uint8_t) { return true; }, s.owner);
  s.each([&](const Vec3& p, std::size_t n) {
    if (std::abs(p.x() - 23) > 5) {
      EXPECT_EQ(s.owner[n], before[n]);
    }
  });
}

/// A shaft of 5 mm across along x with a ball of 10 mm at its end; `gap`: the ball is a toe's base that touches the
/// shaft's own, equal end by a patch.
struct Ended {
  Scene scene{120, 30, 30};
  std::vector<DeformedBone> bones;
  std::vector<double> expected;
  std::size_t strays = 0;
};
Ended endedBone(bool toe) {
  Ended e;
  e.scene.each([&](const Vec3& p, std::size_t n) {
    const double r = std::hypot(p.y() - 7.25, p.z() - 7.25);
    const auto ball = [&](double x) { return (p - Vec3(x, 7.25, 7.25)).norm() < 5; };
    const bool shaft = p.x() > 3 && p.x() < 40 && r < 2.6;
    const bool own_head = toe && ball(40), end = ball(toe ? 49.6 : 42);
    if (!shaft && !own_head && !end) return;
    e.scene.image.v[n] = 700.0F;
    const bool stray = toe ? end && p.x() > 44.8 : p.x() > 36;
    e.scene.owner[n] = stray ? kStray : 0;
    if (stray) ++e.strays;
  });
  smooth(e.scene.image, 0.4);
  DeformedBone bone;
  bone.id = Bone::kM5;
  bone.found = true;
  // The template: the corners of a box over the shaft.
  for (const double x : {3.0, 20.0, toe ? 45.0 : 36.0})
    for (const double y : {5.0, 9.5})
      for (const double z : {5.0, 9.5}) bone.mesh.vertices.push_back(Vec3(x, y, z));
  e.bones.push_back(bone);
  bone.id = Bone::kM4;
  for (Vec3& v : bone.mesh.vertices) v.x() = 3 + (v.x() - 3) * 46 / (toe ? 42.0 : 33.0);
  e.bones.push_back(bone);
  e.expected = {8000, 8000};
  return e;
}

bool bringHome(Ended& e) {
  return bringHome(e.scene.image, e.scene.sheet(), e.bones, e.expected, kContrast, kStray, e.scene.owner);
}

std::size_t broughtHome(Ended& e) {
  const std::vector<std::uint8_t> before = e.scene.owner;
  EXPECT_FALSE(bringHome(e)) << "all of it or nothing";
  std::size_t home = 0;
  for (std::size_t n = 0; n < before.size(); ++n)
    if (before[n] == kStray && e.scene.owner[n] == 0) ++home;
  return home;
}

TEST(Strays, AHeadOnASlenderShaftComesHomeHoweverWideItIs) {
  Ended e = endedBone(false);
  ASSERT_GT(e.strays, 3000U);
  EXPECT_EQ(broughtHome(e), e.strays);
}

/// A toe whose joint is closed: its base against the head, which ends at x = 47.
void hangToe(Ended& e) {
  e.scene.each([&](const Vec3& p, std::size_t n) {
    const double r = std::hypot(p.y() - 7.25, p.z() - 7.25);
    if (e.scene.owner[n] != kNobody ||
        !((p - Vec3(50.5, 7.25, 7.25)).norm() < 5 || (p.x() > 50 && p.x() < 58 && r < 3)))
      return;
    e.scene.image.v[n] = 700.0F;
    e.scene.owner[n] = kStray;
  });
}

void expectHomeWithoutToe(Ended& e) {
  EXPECT_TRUE(bringHome(e));
  e.scene.each([&](const Vec3& p, std::size_t n) {
    if (p.x() < 45) {
      EXPECT_NE(e.scene.owner[n], kStray) << "shaft and head";
    }
    if (p.x() > 48) {
      EXPECT_NE(e.scene.owner[n], 0) << "the toe";
    }
  });
}

TEST(Strays, AHeadComesHomeWithoutTheToeThatHangsOnIt) {
  Ended e = endedBone(false);
  hangToe(e);
  expectHomeWithoutToe(e);
}

TEST(Strays, AHeadComesHomeWithoutItsToeWhereTheNeckIsAsThinAsTheJoint) {
  Ended e = endedBone(false);
  hangToe(e);
  e.scene.each([&](const Vec3& p, std::size_t n) {
    if (e.scene.owner[n] == 0 && p.x() > 28) e.scene.owner[n] = kStray;  // half the shaft is lost as well
  });
  expectHomeWithoutToe(e);
}

TEST(Strays, WhatIsTooShortForAMetatarsalGetsItsEndThoughTheShaftDimsThere) {
  for (const bool too_short : {true, false}) {
    Ended e = endedBone(false);
    e.scene.each([&](const Vec3& p, std::size_t n) {
      if (e.scene.owner[n] != kNobody && std::abs(p.x() - 36) < 1) e.scene.image.v[n] -= 100.0F;
    });
    if (!too_short)  // the other metatarsal is no longer than what this one has
      for (Vec3& v : e.bones[1].mesh.vertices) v.x() = 3 + (v.x() - 3) * 36 / 46;
    EXPECT_EQ(broughtHome(e), too_short ? e.strays : 0U);
  }
}

TEST(Strays, AToeThatTouchesAHeadByAPatchDoesNot) {
  Ended e = endedBone(true);
  ASSERT_GT(e.strays, 3000U);
  EXPECT_EQ(broughtHome(e), 0U);
}

TEST(Strays, AToeWithACrumbOfTheBoneInItDoesNot) {
  Ended e = endedBone(true);
  std::size_t crumb = 0;
  e.scene.each([&](const Vec3& p, std::size_t n) {
    if (e.scene.owner[n] != kStray || (p - Vec3(50, 7.25, 7.25)).cwiseAbs().maxCoeff() > 1.1) return;
    e.scene.owner[n] = 0;
    ++crumb;
  });
  ASSERT_GT(crumb, 50U);
  EXPECT_EQ(broughtHome(e), 0U);
}

/// The ball of a head, 8 mm in radius, with half an egg of bone on it whose flat side lies against it: a sesamoid.
struct Headed {
  Scene scene{50, 50, 60};
  std::size_t sesamoid = 0;
  std::vector<DeformedBone> bones;
};
Headed headWithSesamoid(Bone id, const std::function<std::uint8_t(const Vec3&)>& owner_of_sesamoid) {
  Headed h;
  h.scene.each([&](const Vec3& p, std::size_t n) {
    const Vec3 q = p - Vec3(12.25, 12.25, 17.5);  // from the middle of the flat side
    const bool head = (p - Vec3(12.25, 12.25, 10)).norm() < 8;
    const bool on_it = q.z() > 0 && std::hypot(q.x() / 5.5, q.y() / 5.5, q.z() / 7) < 1;
    if (!head && !on_it) return;
    h.scene.image.v[n] = 600.0F;
    h.scene.owner[n] = head ? 0 : owner_of_sesamoid(q);
    if (!head) ++h.sesamoid;
  });
  smooth(h.scene.image, 0.4);
  DeformedBone bone;
  bone.id = id;
  bone.found = true;
  for (const double x : {5.0, 19.0})
    for (const double z : {-40.0, 18.0}) bone.mesh.vertices.push_back(Vec3(x, x, z));
  h.bones.push_back(bone);
  return h;
}

TEST(Strays, ASesamoidOnAHeadIsNoCapOfIt) {
  Headed h = headWithSesamoid(Bone::kM1, [](const Vec3&) { return kStray; });
  ASSERT_GT(h.sesamoid, 2000U);
  const std::vector<std::uint8_t> before = h.scene.owner;
  EXPECT_FALSE(bringHome(h.scene.image, h.scene.sheet(), h.bones, {60000}, kContrast, kStray, h.scene.owner));
  EXPECT_EQ(h.scene.owner, before);
}

TEST(Leaves, TheWallOfASesamoidIsNotItsNeighbours) {
  // The head has taken the wall of the sesamoid, 1.5 mm thick, along.
  const auto inner = [](const Vec3& q) { return std::hypot(q.x() / 4, q.y() / 4, q.z() / 5.5) < 1; };
  Headed h = headWithSesamoid(Bone::kM1, [&](const Vec3& q) -> std::uint8_t { return inner(q) ? 1 : 0; });
  const auto taken = [&] {
    std::size_t n = 0;
    h.scene.each([&](const Vec3& p, std::size_t at) { n += p.z() > 20.5 && h.scene.owner[at] == 0 ? 1 : 0; });
    return n;
  };
  ASSERT_GT(taken(), 500U);
  trimLeaves(h.scene.image, {1}, kStray, h.scene.owner);
  EXPECT_EQ(taken(), 0U);
  h.scene.each([&](const Vec3& p, std::size_t n) {
    if ((p - Vec3(12.25, 12.25, 10)).norm() < 7) {
      EXPECT_EQ(h.scene.owner[n], 0) << "the head itself stays whole";
    }
  });
}

TEST(Leaves, AnEdgeOfTheBoneItselfStays) {
  Scene s(60, 40, 40);
  // A wedge that ends in an edge of 50 degrees, its tip against another bone.
  s.each([&](const Vec3& p, std::size_t n) {
    if (p.x() < 3 || std::abs(p.z() - 10) > 6) return;
    if (std::abs(p.y() - 10) < 0.466 * (25 - p.x())) s.owner[n] = 0;
    if (p.x() > 26) s.owner[n] = 1;
  });
  const std::vector<std::uint8_t> before = s.owner;
  trimLeaves(s.image, {1}, kStray, s.owner);
  EXPECT_EQ(s.owner, before);
}

/// Two blocks of bone, 12 mm wide, with plates of 1 mm all round, pressed together at x = 22 mm without a gap; `plates`
/// false: cancellous bone goes on through there. Nothing is owned yet.
Scene pressedBlocks(bool plates) {
  Scene s(72, 34, 34);
  s.each([&](const Vec3& p, std::size_t n) {
    const double across = std::max(std::abs(p.y() - 8.25), std::abs(p.z() - 8.25));
    if (p.x() < 3 || p.x() > 31 || across > 6) return;
    const bool plate = across > 5 || p.x() < 4 || p.x() > 30 || (plates && std::abs(p.x() - 22) < 1);
    s.image.v[n] = plate ? 1100.0F : 450.0F;
  });
  smooth(s.image, 0.4);
  return s;
}

std::size_t parted(Scene& s) {
  partLumps(
      s.image, s.plates(), 2, [](std::uint8_t) { return true; }, kStray, s.owner);
  return static_cast<std::size_t>(std::count(s.owner.begin(), s.owner.end(), kStray));
}

TEST(Lumps, ANeighbourTakenAlongIsPartedAtThePlatesOfTheJoint) {
  Scene s = pressedBlocks(true);
  s.each([&](const Vec3&, std::size_t n) {
    if (s.image.v[n] > 250) s.owner[n] = 0;
  });
  ASSERT_GT(parted(s), 5000U);
  std::size_t wrong = 0;
  s.each([&](const Vec3& p, std::size_t n) {
    if (s.owner[n] == kNobody || std::abs(p.x() - 22) < 1.1) return;
    if ((s.owner[n] == kStray) != (p.x() > 22)) ++wrong;
  });
  EXPECT_EQ(wrong, 0U);
}

TEST(Lumps, OneBoneStaysWhole) {
  Scene s = pressedBlocks(false);
  s.each([&](const Vec3& p, std::size_t n) {
    if (s.image.v[n] <= 250) return;
    s.owner[n] = 0;
    const double r = (p - Vec3(12, 8.25, 8.25)).norm();
    if (r > 2.5 && r < 4) s.image.v[n] = 1100.0F;  // a dense shell inside, shut all round
  });
  smooth(s.image, 0.3);
  EXPECT_EQ(parted(s), 0U);
}

TEST(Strays, ALumpGoesToTheBoneThatNoPlatesPartItFrom) {
  Scene s = pressedBlocks(true);
  s.each([&](const Vec3& p, std::size_t n) {  // the nearer part of the second block has been parted from the first
    if (s.image.v[n] > 250) s.owner[n] = p.x() < 22 ? 0 : p.x() + 0.6 * p.y() < 31 ? kStray : 1;
  });
  std::vector<DeformedBone> bones(2);
  bones[0].id = Bone::kTal;
  bones[1].id = Bone::kNav;
  for (DeformedBone& b : bones) {
    b.found = true;
    b.mesh.vertices = {Vec3(0, 0, 0), Vec3(1, 0, 0), Vec3(0, 1, 0), Vec3(0, 0, 1)};
  }
  EXPECT_FALSE(bringHome(s.image, s.sheet(), bones, {23000, 12000}, kContrast, kStray, s.owner));
  s.each([&](const Vec3& p, std::size_t n) {
    if (s.owner[n] != kNobody) {
      EXPECT_EQ(s.owner[n], p.x() < 22 ? 0 : 1);
    }
  });
}

/// The second of two blocks is a stray as large as the first, a heel.
std::size_t strayOfBlocks(bool gap) {
  Scene s = leakingBlocks(0);
  s.each([&](const Vec3&, std::size_t n) {
    if (s.owner[n] == kNobody) return;
    if (!gap) s.image.v[n] = 600.0F;
    if (s.owner[n] == 1) s.owner[n] = kStray;
  });
  std::vector<DeformedBone> bones(1);
  bones[0].id = Bone::kCal;
  bones[0].found = true;
  bones[0].mesh.vertices = {Vec3(0, 0, 0), Vec3(1, 0, 0), Vec3(0, 1, 0), Vec3(0, 0, 1)};
  EXPECT_FALSE(bringHome(s.image, s.sheet(), bones, {12500}, kContrast, kStray, s.owner));
  return static_cast<std::size_t>(std::ranges::count(s.owner, kStray));
}

TEST(Strays, AHeelBeyondItsTemplateGoesOnWithTheWholeSection) {
  EXPECT_EQ(strayOfBlocks(false), 0U);
  EXPECT_GT(strayOfBlocks(true), 10000U) << "a bone behind a joint stays";
}

TEST(Evidence, PlatesShowAJointWithoutAGapAndCancellousBoneShowsNothing) {
  const auto buried = [](bool plates) {
    const Scene s = pressedBlocks(plates);
    ScanImage scan;
    scan.grey = scan.calm = s.image;
    scan.levels = s.levels;
    RefinedSurface first;  // the first block, ending at x = 22 mm
    first.surface = isosurface(DistanceField(Box(Vec3(1, 0, 0), Vec3(24, 16.5, 16.5)), 0.5, 4, [](const Vec3& p) {
      const Vec3 q = (p - Vec3(12.5, 8.25, 8.25)).cwiseAbs() - Vec3(9.5, 6, 6);
      return q.maxCoeff();
    }));
    return surfaceEvidence(scan, first, {}, nullptr).buried;
  };
  EXPECT_LT(buried(true), 0.005);
  EXPECT_GT(buried(false), 0.05);
}

TEST(Evidence, ALostHeadShowsInTheLengthsOfTheRays) {
  const PerRay<double> usual{{Ray(1), 62}, {Ray(2), 74}, {Ray(3), 68}, {Ray(4), 67}, {Ray(5), 70}};
  PerRay<double> lengths = usual;
  for (auto& [ray, mm] : lengths) mm *= 0.85;  // a small foot
  for (const auto& [ray, ratio] : lengthRatios(lengths, usual)) EXPECT_NEAR(ratio, 1, 1e-12);
  lengths[Ray(5)] -= 10;
  const auto ratios = lengthRatios(lengths, usual);
  EXPECT_NEAR(ratios.at(Ray(5)), 1 - 10 / (0.85 * 70), 1e-12);
  EXPECT_NEAR(ratios.at(Ray(2)), 1, 1e-12) << "one short neighbour does not make the others long";
  EXPECT_FALSE(lengthRatios({{Ray(1), 60}, {Ray(5), 30}}, usual).contains(Ray(5))) << "one other bone is no measure";
}

}  // namespace
}  // namespace rayset::bones
