#include "workspace/views.h"

#include <gtest/gtest.h>
#include <zlib.h>

#include <cmath>
#include <numbers>

#include "anatomy/frames.h"
#include "anatomy/procedural_foot.h"
#include "anatomy/section.h"
#include "data_files.h"
#include "english.h"
#include "geometry/ray_caster.h"
#include "image/voxelise.h"
#include "report/film_shots.h"
#include "workspace/plane_cutter.h"

namespace rayset {
namespace {

const Foot& foot(Side side) {
  static const Foot right = proceduralFoot({}, Side::kRight, 1.0);
  static const Foot left = mirrored(right);
  return side == Side::kRight ? right : left;
}

Grid gridAround(const BoneSurfaces& bones, double mm, double room) {
  Box box;
  for (const auto& [bone, s] : bones) box.extend(bounds(s));
  Grid g;
  g.spacing = Vec3::Constant(mm);
  g.origin = box.min() - Vec3::Constant(room);
  g.size = ((box.sizes() + Vec3::Constant(2 * room)) / mm).array().ceil().cast<int>() + 1;
  return g;
}

/// A value that trilinear interpolation gives back exactly.
double ramp(const Vec3& p) { return 400 + Vec3(3, -2, 1.5).dot(p); }

CtVolume rampScan(const Grid& grid) {
  CtVolume ct(grid);
  for (int k = 0; k < grid.size.z(); ++k)
    for (int j = 0; j < grid.size.y(); ++j)
      for (int i = 0; i < grid.size.x(); ++i)
        ct.at(i, j, k) = static_cast<std::int16_t>(std::lround(ramp(grid.toPatient(Vec3(i, j, k)))));
  return ct;
}

/// Whole numbers on the grid: spacing 2 and a whole origin keep the ramp free of rounding.
Grid evenGrid(const BoneSurfaces& bones) {
  Grid g = gridAround(bones, 2, 8);
  g.origin = g.origin.array().floor() - g.origin.array().floor().unaryExpr([](double v) { return std::fmod(v, 2); });
  return g;
}

/// As scanned; nothing moves but what `moves` says.
Case caseOf(Side side, const PerRay<Rigid>& moves = {}) {
  Case c;
  c.side = side;
  c.injured = foot(side).bones;
  c.reduction.reduced = c.injured;
  for (const Ray ray : kRays) {
    RayReduction& r = c.reduction.rays[ray];
    r.ray = ray;
    if (const auto it = moves.find(ray); it != moves.end()) r.injured_to_reduced = it->second;
    Surface& s = c.reduction.reduced.at(metatarsal(ray));
    s = transformed(s, r.injured_to_reduced);
  }
  c.reduction.frame = footFrame(c.reduction.reduced, side);
  auto catalogue = readCatalogue(test::dataFile("implants.json"));
  EXPECT_TRUE(catalogue);
  c.catalogue = *catalogue;
  return c;
}

Device screw(const Vec3& entry, const Vec3& direction, double length, std::vector<std::string> through) {
  Device d;
  d.id = "S2";
  d.type = "cortex-3.5";
  d.kind = DeviceKind::kScrew;
  d.stage = DeviceStage::kDefinitive;
  d.ray = Ray(2);
  d.through = std::move(through);
  d.entry = entry;
  d.direction = direction.normalized();
  d.length_mm = length;
  d.diameter_mm = 3.5;
  d.tip = d.entry + length * d.direction;
  return d;
}

Vec3 placeOf(const Slice& s, double column, double row) {
  return s.origin + s.mm_per_pixel * (column * s.right + row * s.down);
}

int at(const Slice& s, int column, int row) { return s.hu[static_cast<std::size_t>(row * s.width + column)]; }

const Slice::Outline* outline(const Slice& s, const std::string& body) {
  for (const auto& o : s.outlines)
    if (o.body == body) return &o;
  return nullptr;
}

Eigen::Vector2d middleOf(const Slice::Outline& o) {
  Eigen::AlignedBox2d box;
  for (const auto& line : o.lines)
    for (const auto& p : line) box.extend(p);
  return box.center();
}

Surface torus(double large, double small, int n, int m) {
  Surface s;
  for (int a = 0; a < n; ++a)
    for (int b = 0; b < m; ++b) {
      const double u = 2 * std::numbers::pi * a / n, v = 2 * std::numbers::pi * b / m;
      const double r = large + small * std::cos(v);
      s.vertices.emplace_back(r * std::cos(u), r * std::sin(u), small * std::sin(v));
    }
  const auto id = [&](int a, int b) { return static_cast<std::uint32_t>((a % n) * m + b % m); };
  for (int a = 0; a < n; ++a)
    for (int b = 0; b < m; ++b) {
      s.triangles.push_back({id(a, b), id(a + 1, b), id(a + 1, b + 1)});
      s.triangles.push_back({id(a, b), id(a + 1, b + 1), id(a, b + 1)});
    }
  return s;
}

TEST(PlaneCut, SphereGivesOneCircle) {
  const Vec3 centre(3, -7, 11);
  const PlaneCutter cutter(makeSphere(centre, 10, 5));
  const Vec3 normal = Vec3(1, 2, -2).normalized();
  for (const double height : {-8.0, 0.0, 3.5}) {
    const auto chains = cutter.cut(centre + height * normal, normal);
    ASSERT_EQ(chains.size(), 1U);
    EXPECT_TRUE(chains[0].closed);
    EXPECT_EQ(chains[0].points.front(), chains[0].points.back());
    EXPECT_EQ(chains[0].normals.size() + 1, chains[0].points.size());
    const double radius = std::sqrt(100 - height * height);
    double area = 0;
    for (std::size_t n = 0; n + 1 < chains[0].points.size(); ++n) {
      const Vec3 a = chains[0].points[n] - centre - height * normal, b = chains[0].points[n + 1] - centre;
      EXPECT_NEAR(a.norm(), radius, 0.02);
      EXPECT_NEAR(a.dot(normal), 0, 1e-9);
      EXPECT_GT(chains[0].normals[n].dot(a), 0);
      area += 0.5 * normal.dot(a.cross(b - height * normal));
    }
    EXPECT_NEAR(area, std::numbers::pi * radius * radius, 0.01 * std::numbers::pi * radius * radius);
  }
  EXPECT_TRUE(cutter.cut(centre + 10.1 * normal, normal).empty());
}

TEST(PlaneCut, TorusGivesTwoCircles) {
  const PlaneCutter cutter(torus(20, 5, 180, 60));
  // Across the ring: two circles of the small radius. Along it: an outer and an inner one.
  const auto across = cutter.cut(Vec3::Zero(), Vec3::UnitX());
  ASSERT_EQ(across.size(), 2U);
  for (const auto& chain : across) {
    EXPECT_TRUE(chain.closed);
    const double side = chain.points[0].y() > 0 ? 20 : -20;
    for (const Vec3& p : chain.points) EXPECT_NEAR((p - Vec3(0, side, 0)).norm(), 5, 0.02);
  }
  const auto along = cutter.cut(Vec3(0, 0, 1), Vec3::UnitZ());
  ASSERT_EQ(along.size(), 2U);
  const double half = std::sqrt(24.0);
  for (const auto& chain : along) {
    EXPECT_TRUE(chain.closed);
    const double radius = chain.points[0].head<2>().norm() > 20 ? 20 + half : 20 - half;
    for (const Vec3& p : chain.points) EXPECT_NEAR(p.head<2>().norm(), radius, 0.03);
  }
}

TEST(PlaneCut, VerticesOnThePlaneAndOpenSurfaces) {
  const Box box(Vec3(-1, -1, -1), Vec3(1, 1, 1));
  const PlaneCutter cutter(makeBox(box));
  const auto on_face = cutter.cut(Vec3(0, 0, -1), Vec3::UnitZ());  // all four corners on the plane
  for (const auto& chain : on_face) EXPECT_TRUE(chain.closed);
  Surface open = makeSphere(Vec3::Zero(), 10, 3);
  open.triangles.resize(open.triangles.size() - 40);
  std::size_t closed = 0, all = 0;
  for (double h = -9.5; h < 10; h += 0.5)
    for (const auto& chain : PlaneCutter(open).cut(Vec3(0, 0, h), Vec3::UnitZ())) {
      ++all;
      closed += chain.closed ? 1 : 0;
      EXPECT_EQ(chain.normals.size() + 1, chain.points.size());
    }
  EXPECT_GT(closed, 0U);
  EXPECT_LT(closed, all);
}

TEST(PlaneCut, NearestIsThatOfTheRayCaster) {
  const Surface s = torus(20, 5, 60, 30);
  const PlaneCutter cutter(s);
  const RayCaster caster({&s});
  for (int n = 0; n < 50; ++n) {
    const Vec3 p(25 * std::sin(n + 1), 25 * std::cos(1.7 * n), 8 * std::sin(2.3 * n));
    const auto want = caster.nearest(p);
    const auto got = cutter.nearest(p, 100);
    ASSERT_TRUE(want && got);
    EXPECT_NEAR(got->distance, want->distance, 1e-3);
    EXPECT_NEAR((got->position - p).norm(), got->distance, 1e-9);
    EXPECT_FALSE(cutter.nearest(p, 0.99 * got->distance));
  }
}

TEST(Slices, ValuesAreTheScansInEveryKindOfPlane) {
  Case c = caseOf(Side::kRight);
  const CtVolume ct = rampScan(evenGrid(c.injured));
  const Vec3 last = (ct.grid.size - Eigen::Vector3i::Ones()).cast<double>();
  const MetatarsalAxis axis = metatarsalAxis(c.injured.at(Bone::kM2), c.reduction.frame.distal);
  c.fixation.devices.push_back(screw(axis.base_centre + 15 * axis.distal, -axis.distal, 30, {"M2", "C2"}));
  const Slicer slicer(c, ct);
  for (const SliceKind kind : {SliceKind::kAlong, SliceKind::kAcross, SliceKind::kDrill})
    for (const double thickness : {0.0, 3.0}) {
      SliceRequest r;
      r.kind = kind;
      r.device = "S2";
      r.offset_mm = 4;
      r.turn_rad = 0.3;
      r.mm_per_pixel = 0.7;
      r.thickness_mm = thickness;
      const auto s = slicer.slice(c, r);
      ASSERT_TRUE(s) << english(s.error());
      ASSERT_EQ(s->hu.size(), 160000U);
      std::size_t inside = 0, outside = 0;
      for (int row = 0; row < s->height; row += 3)
        for (int column = 0; column < s->width; column += 3) {
          const Vec3 p = placeOf(*s, column, row), index = ct.grid.toIndex(p);
          const double deep = std::min(index.minCoeff(), (last - index).minCoeff()) * ct.grid.spacing.x();
          if (deep > 1.6) {
            ASSERT_NEAR(at(*s, column, row), ramp(p), 0.51);
            ++inside;
          } else if (deep < -1.6) {
            ASSERT_EQ(at(*s, column, row), -1024);
            ++outside;
          }
        }
      EXPECT_GT(inside, 3000U);
      EXPECT_GT(outside, 100U);
    }
}

TEST(Slices, PlanesContainTheirAxes) {
  const Rigid X = turnAbout(Vec3(0, 0, 0), Vec3(0.05, 0.1, -0.1), Vec3(-4, 1, 3));
  const Case c = caseOf(Side::kRight, {{Ray(2), X}});
  const CtVolume ct = rampScan(evenGrid(c.injured));
  const Slicer slicer(c, ct);
  const MetatarsalAxis scanned = metatarsalAxis(c.injured.at(Bone::kM2), c.reduction.frame.distal);
  for (const FootState state : {FootState::kInjured, FootState::kReduced}) {
    const Rigid pose = state == FootState::kReduced ? X : Rigid::Identity();
    SliceRequest r;
    r.state = state;
    r.width = 301;
    r.height = 201;
    const auto along = slicer.slice(c, r);
    ASSERT_TRUE(along);
    EXPECT_LT((placeOf(*along, 150, 100) - pose * scanned.base_centre).norm(), 1e-6);
    EXPECT_GT(along->right.dot(pose.linear() * scanned.distal), 1 - 1e-9);
    EXPECT_GT((-along->down).dot(c.reduction.frame.dorsal), 0.8);
    EXPECT_NEAR(along->normal.dot(along->right), 0, 1e-9);
    EXPECT_GT(along->normal.dot(c.reduction.frame.medial), 0.8);
    r.turn_rad = std::numbers::pi / 2;
    const auto turned = slicer.slice(c, r);
    ASSERT_TRUE(turned);
    EXPECT_GT((-turned->down).dot(along->normal), 1 - 1e-9);  // what was medial is up
    EXPECT_EQ(turned->top, "medial");
    r.kind = SliceKind::kAcross;
    r.offset_mm = 6;
    const auto across = slicer.slice(c, r);
    ASSERT_TRUE(across);
    EXPECT_GT(across->normal.dot(pose.linear() * scanned.distal), 1 - 1e-9);
    EXPECT_LT((placeOf(*across, 150, 100) - pose * (scanned.base_centre + 6 * scanned.distal)).norm(), 1e-6);
  }
}

TEST(Slices, EdgeWordsAndSidesOfRightAndLeftFeet) {
  for (const Side side : {Side::kRight, Side::kLeft}) {
    const Case c = caseOf(side);
    const CtVolume ct = rampScan(evenGrid(c.injured));
    const Slicer slicer(c, ct);
    for (const Ray ray : kRays) {
      SliceRequest r;
      r.ray = ray;
      const auto along = slicer.slice(c, r);
      ASSERT_TRUE(along);
      EXPECT_EQ(along->left, "proximal");
      EXPECT_EQ(along->right_word, "distal");
      EXPECT_EQ(along->top, "dorsal");
      EXPECT_EQ(along->bottom, "plantar");
      // Right x down points away from the viewer, who stands lateral of a right foot, medial of a left one.
      const double away = along->right.cross(along->down).dot(c.reduction.frame.medial);
      EXPECT_GT(side == Side::kRight ? away : -away, 0.7);

      r.kind = SliceKind::kAcross;
      r.offset_mm = 12;
      r.mm_per_pixel = 0.4;
      const auto across = slicer.slice(c, r);
      ASSERT_TRUE(across);
      EXPECT_EQ(across->top, "dorsal");
      EXPECT_EQ(across->right_word, side == Side::kRight ? "lateral" : "medial");
      EXPECT_EQ(across->left, side == Side::kRight ? "medial" : "lateral");
      EXPECT_GT(across->right.cross(across->down).dot(c.reduction.frame.distal), 0.7);  // looks distally
      if (ray == 5) continue;
      const auto *mine = outline(*across, std::string(boneId(metatarsal(ray)))),
                 *next = outline(*across, std::string(boneId(metatarsal(*ray.lateral()))));
      ASSERT_TRUE(mine != nullptr && next != nullptr);
      const double to_right = middleOf(*mine).x() - middleOf(*next).x();  // the lower ray is the medial one
      EXPECT_LT(side == Side::kRight ? to_right : -to_right, -5);
    }
  }
}

TEST(Slices, AMovedBoneShowsItsOwnGreyAndLeavesMuscle) {
  const Rigid X = turnAbout(Vec3(0, -20, 0), Vec3(0.1, -0.2, 0.15), Vec3(-3, 2, 14));
  Case c = caseOf(Side::kRight, {{Ray(2), X}});
  // Bone is a ramp, everything else something that muscle is not.
  Grid grid = gridAround(c.injured, 1, 24);
  LabelVolume labels(grid);
  for (const auto& [bone, surface] : c.injured) (void)fillInside(labels, surface, label(bone));
  CtVolume ct = rampScan(grid);
  for (std::size_t n = 0; n < ct.voxels.size(); ++n)
    if (labels.voxels[n] == 0) ct.voxels[n] = -90;
  const RayCaster m2({&c.injured.at(Bone::kM2)});
  for (const bool with_labels : {false, true}) {
    if (with_labels) c.labels = labels;
    const Slicer slicer(c, ct);
    std::size_t carried = 0, left = 0, untouched = 0;
    for (const double offset : {-2.0, 0.0, 3.0}) {
      SliceRequest r;
      r.offset_mm = offset;
      r.mm_per_pixel = 0.5;
      const auto s = slicer.slice(c, r);
      ASSERT_TRUE(s);
      for (int row = 0; row < s->height; row += 2)
        for (int column = 0; column < s->width; column += 2) {
          const Vec3 p = placeOf(*s, column, row), q = X.inverse() * p;
          const double here = m2.signedDistance(q, 30), there = m2.signedDistance(p, 30);
          if (here < -1.8) {  // all eight voxels around are its own
            ASSERT_NEAR(at(*s, column, row), ramp(q), 1.2) << p.transpose();
            ++carried;
          } else if (here > 3 && there < -1.8) {
            ASSERT_EQ(at(*s, column, row), 50);
            ++left;
          } else if (here > 3 && there > 3) {
            ASSERT_NEAR(at(*s, column, row), std::round(sampleLinear(ct, p, -1024)), 1.01);
            ++untouched;
          }
        }
      // In the injured state it lies where it was scanned.
      r.state = FootState::kInjured;
      const auto injured = slicer.slice(c, r);
      ASSERT_TRUE(injured);
      for (int n = 0; n < 160000; n += 7) {
        const Vec3 p = placeOf(*injured, n % 400, n / 400);
        ASSERT_NEAR(injured->hu[static_cast<std::size_t>(n)], sampleLinear(ct, p, -1024), 0.51);
      }
    }
    EXPECT_GT(carried, 500U);
    EXPECT_GT(left, 120U);
    EXPECT_GT(untouched, 5000U);
  }
}

TEST(Slices, OutlinesFollowTheBonesOfTheState) {
  const Rigid X = turnAbout(Vec3(0, -20, 0), Vec3(0.1, -0.2, 0.15), Vec3(-3, 2, 5));
  const Case c = caseOf(Side::kRight, {{Ray(2), X}});
  const CtVolume ct = rampScan(evenGrid(c.injured));
  const Slicer slicer(c, ct);
  for (const FootState state : {FootState::kInjured, FootState::kReduced}) {
    const BoneSurfaces& bones = state == FootState::kReduced ? c.reduction.reduced : c.injured;
    SliceRequest r;
    r.state = state;
    const auto s = slicer.slice(c, r);
    ASSERT_TRUE(s);
    for (const Bone bone : {Bone::kM2, Bone::kC2, Bone::kNav}) {
      const Slice::Outline* o = outline(*s, std::string(boneId(bone)));
      ASSERT_NE(o, nullptr) << boneId(bone);
      const RayCaster surface({&bones.at(bone)});
      for (const auto& line : o->lines) {
        ASSERT_EQ(line.front(), line.back());
        for (const auto& p : line)
          ASSERT_LT(surface.nearest(placeOf(*s, p.x(), p.y()))->distance, 1e-3) << boneId(bone);
      }
      // And none of the cut is missing: as much line as the plain section has.
      const PlaneSection section = planeSection(bones.at(bone), placeOf(*s, 199.5, 199.5), s->normal);
      double plain = 0, mine = 0;
      for (const Points& loop : section.loops)
        for (std::size_t n = 0; n < loop.size(); ++n) plain += (loop[(n + 1) % loop.size()] - loop[n]).norm();
      for (const auto& line : o->lines)
        for (std::size_t n = 0; n + 1 < line.size(); ++n) mine += (line[n + 1] - line[n]).norm() * s->mm_per_pixel;
      EXPECT_NEAR(mine, plain, 0.02 * plain) << boneId(bone);
    }
  }
}

/// A first ray of two cylinders along the foot, radius 8, end to end with a gap of 1.2 mm at y = 0.
Case cylinderCase() {
  Case c = caseOf(Side::kRight);
  c.injured.clear();
  c.injured[Bone::kM2] = makeCylinder(Vec3(0, -0.6, 0), Vec3(0, -50, 0), 8, 128);
  c.injured[Bone::kC2] = makeCylinder(Vec3(0, 0.6, 0), Vec3(0, 25, 0), 8, 128);
  c.reduction.reduced = c.injured;
  c.reduction.frame = Frame();
  c.fixation.devices = {screw(Vec3(3, -30, 0), Vec3(0, 1, 0), 45, {"M2", "C2"})};
  return c;
}

TEST(Slices, DeviceIsACircleAndItsMarginIsMeasured) {
  const Case c = cylinderCase();
  const CtVolume ct = rampScan(gridAround(c.injured, 2, 20));
  const Slicer slicer(c, ct);
  SliceRequest r;
  r.kind = SliceKind::kDrill;
  r.device = "S2";
  r.width = r.height = 401;
  r.mm_per_pixel = 0.1;
  for (const double depth : {12.0, 25.0, 36.0}) {  // in the metatarsal, and beyond the joint
    r.offset_mm = depth;
    const auto s = slicer.slice(c, r);
    ASSERT_TRUE(s);
    const Slice::Outline* device = outline(*s, "S2");
    ASSERT_NE(device, nullptr);
    for (const auto& p : device->lines.at(0))
      EXPECT_NEAR((p - Eigen::Vector2d(200, 200)).norm() * s->mm_per_pixel, 1.75, 0.02);
    EXPECT_LT((placeOf(*s, 200, 200) - Vec3(3, -30 + depth, 0)).norm(), 1e-9);
    ASSERT_TRUE(s->has_margin);
    EXPECT_NEAR(s->margin_mm, 8 - 3 - 1.75, 0.01) << depth;
    EXPECT_LT((placeOf(*s, s->margin_at.x(), s->margin_at.y()) - Vec3(8, -30 + depth, 0)).norm(), 0.25);  // facets
    EXPECT_EQ(s->top, "dorsal");
    // Looking proximally at a right foot: medial (+x) is to the right.
    EXPECT_EQ(s->right_word, "medial");
    EXPECT_GT(s->right.x(), 0.99);
  }
  r.offset_mm = 60;  // behind the cuneiform
  const auto behind = slicer.slice(c, r);
  ASSERT_TRUE(behind);
  EXPECT_FALSE(behind->has_margin);

  // Half out of the bone, and all out.
  for (const double x : {8.0, 11.0}) {
    Case out = c;
    out.fixation.devices[0].entry.x() = out.fixation.devices[0].tip.x() = x;
    r.offset_mm = 12;
    const auto s = slicer.slice(out, r);
    ASSERT_TRUE(s && s->has_margin);
    EXPECT_NEAR(s->margin_mm, 8 - x - 1.75, 0.02);
  }
}

TEST(Slices, JointFacesAreNoOuterCortex) {
  // A device across the axis, 2 mm behind the face of the joint: the face is nearer than the cortex, and does not
  // count.
  Case c = cylinderCase();
  c.fixation.devices = {screw(Vec3(0, -2.6, 7), Vec3(0, 0, -1), 13, {"M2", "C2"})};
  const CtVolume ct = rampScan(gridAround(c.injured, 2, 20));
  SliceRequest r;
  r.kind = SliceKind::kDrill;
  r.device = "S2";
  r.offset_mm = 7;  // on the axis
  const auto s = sliceOf(c, ct, r);
  ASSERT_TRUE(s && s->has_margin);
  EXPECT_NEAR(s->margin_mm, 8 - 1.75, 0.02);
  EXPECT_EQ(s->top, "proximal");  // along dorsal: proximal is up
  // Where the cuneiform is not what it goes through, its face is cortex.
  c.fixation.devices[0].through = {"M2"};
  const auto alone = sliceOf(c, ct, r);
  ASSERT_TRUE(alone && alone->has_margin);
  EXPECT_NEAR(alone->margin_mm, 2 - 1.75, 0.02);
}

TEST(Slices, DirectionsStayWhileDepthChanges) {
  Case c = cylinderCase();
  c.fixation.devices = {screw(Vec3(1, -20, 8), Vec3(0.1, 0.8, -0.5), 30, {"M2", "C2"})};
  const CtVolume ct = rampScan(gridAround(c.injured, 2, 20));
  const Slicer slicer(c, ct);
  SliceRequest r;
  r.kind = SliceKind::kDrill;
  r.device = "S2";
  const auto first = slicer.slice(c, r);
  r.offset_mm = 25;
  const auto second = slicer.slice(c, r);
  ASSERT_TRUE(first && second);
  EXPECT_EQ(first->right, second->right);
  EXPECT_EQ(first->down, second->down);
  EXPECT_LT((second->origin - first->origin - 25 * c.fixation.devices[0].direction).norm(), 1e-9);
  EXPECT_LT((first->right.cross(first->down) - c.fixation.devices[0].direction).norm(), 1e-9);  // looks along it
}

TEST(Slices, WhatCannotBeCutIsTold) {
  Case c = caseOf(Side::kRight);
  c.fixation.devices.push_back(screw(Vec3::Zero(), Vec3(0, 1, 0), 30, {"M2"}));
  const CtVolume ct = rampScan(evenGrid(c.injured));
  const auto refused = [&](auto change, const std::string& where) {
    SliceRequest r;
    change(r);
    const auto s = sliceOf(c, ct, r);
    ASSERT_FALSE(s) << where;
    EXPECT_EQ(s.error().fault, Fault::kRequest);
    EXPECT_EQ(s.error().where, where);
    EXPECT_FALSE(english(s.error().remedy).empty());
  };
  refused([](SliceRequest& r) { r.width = 15; }, "width, height");
  refused([](SliceRequest& r) { r.height = 1025; }, "width, height");
  refused([](SliceRequest& r) { r.mm_per_pixel = 0; }, "mm");
  refused([](SliceRequest& r) { r.mm_per_pixel = std::nan(""); }, "mm");
  refused([](SliceRequest& r) { r.offset_mm = 1e9; }, "offset");
  refused([](SliceRequest& r) { r.turn_rad = std::numeric_limits<double>::infinity(); }, "turn");
  refused([](SliceRequest& r) { r.thickness_mm = -1; }, "thickness");
  refused([](SliceRequest& r) { r.kind = SliceKind::kDrill, r.device = "S9"; }, "device");
  refused([](SliceRequest& r) { r.kind = SliceKind::kDrill, r.device = "S2", r.state = FootState::kInjured; }, "state");
  c.injured.erase(Bone::kM3);
  refused([](SliceRequest& r) { r.ray = Ray(3); }, "ray");
  const auto none = sliceOf(c, CtVolume(), {});
  ASSERT_FALSE(none);
  EXPECT_EQ(none.error().where, "images");
}

TEST(LightMesh, FewTrianglesClosedAndNear) {
  const Foot fine = proceduralFoot({}, Side::kRight, 0.6);
  for (const Bone bone : {Bone::kM2, Bone::kC2, Bone::kCal}) {
    const Surface& s = fine.bones.at(bone);
    const Surface light = lightMesh(s);
    EXPECT_LE(light.triangles.size(), kLightTriangles);
    EXPECT_LT(light.triangles.size(), s.triangles.size() / 2);
    EXPECT_TRUE(isClosed(light)) << boneId(bone);
    EXPECT_LT(compareSurfaces(s, light, 20000).maximum, 0.15) << boneId(bone);
    EXPECT_NEAR(volume(light), volume(s), 0.005 * volume(s));
  }
  const Surface box = makeBox(Box(Vec3(0, 0, 0), Vec3(1, 2, 3)));
  EXPECT_EQ(lightMesh(box).triangles.size(), box.triangles.size());
  EXPECT_TRUE(lightMesh(Surface()).empty());
}

/// What film() writes: an 8-bit grey PNG, rows by the filter "up". Read with zlib alone, by the standard (ISO/IEC
/// 15948).
struct Unpacked {
  int width = 0, height = 0;
  double pixel_mm = 0;  ///< as pHYs tells it
  std::vector<std::uint8_t> grey;
};
Unpacked unpacked(const std::vector<std::uint8_t>& png) {
  const auto read32 = [&](std::size_t n) {
    return (static_cast<std::uint32_t>(png[n]) << 24) | (static_cast<std::uint32_t>(png[n + 1]) << 16) |
           (static_cast<std::uint32_t>(png[n + 2]) << 8) | png[n + 3];
  };
  Unpacked out;
  std::vector<std::uint8_t> data;
  for (std::size_t n = 8; n + 12 <= png.size();) {
    const std::uint32_t size = read32(n);
    const std::string name(png.begin() + static_cast<std::ptrdiff_t>(n) + 4,
                           png.begin() + static_cast<std::ptrdiff_t>(n) + 8);
    EXPECT_EQ(read32(n + 8 + size), crc32(0, png.data() + n + 4, size + 4)) << name;
    if (name == "IHDR") {
      out.width = static_cast<int>(read32(n + 8));
      out.height = static_cast<int>(read32(n + 12));
      EXPECT_EQ(png[n + 16], 8);  // bits
      EXPECT_EQ(png[n + 17], 0);  // grey
    } else if (name == "pHYs") {
      EXPECT_EQ(png[n + 16], 1);  // per metre
      out.pixel_mm = 1000.0 / read32(n + 8);
    } else if (name == "IDAT") {
      const auto from = png.begin() + static_cast<std::ptrdiff_t>(n) + 8;
      data.insert(data.end(), from, from + size);
    }
    n += 12 + size;
  }
  const std::size_t w = static_cast<std::size_t>(out.width), h = static_cast<std::size_t>(out.height);
  std::vector<std::uint8_t> rows(h * (w + 1));
  out.grey.resize(h * w);
  uLongf size = rows.size();
  EXPECT_EQ(uncompress(rows.data(), &size, data.data(), data.size()), Z_OK);
  EXPECT_EQ(size, rows.size());
  for (std::size_t r = 0; r < h; ++r) {
    EXPECT_EQ(rows[r * (w + 1)], 2);
    for (std::size_t c = 0; c < w; ++c)
      out.grey[r * w + c] =
          static_cast<std::uint8_t>(rows[r * (w + 1) + c + 1] + (r > 0 ? out.grey[(r - 1) * w + c] : 0));
  }
  return out;
}

TEST(FilmStudio, MakesThePicturesOfRaysetViews) {
  const Rigid X = turnAbout(Vec3(0, -20, 0), Vec3(0, 0, 0.1), Vec3(5, 0, 0));
  Case c = caseOf(Side::kRight, {{Ray(2), X}});
  Grid grid = gridAround(c.injured, 1.5, 10);
  c.labels = LabelVolume(grid);
  CtVolume ct(grid, 20);
  for (const auto& [bone, surface] : c.injured) (void)fillInside(c.labels, surface, label(bone));
  for (std::size_t n = 0; n < ct.voxels.size(); ++n)
    if (c.labels.voxels[n] != 0) ct.voxels[n] = 700;
  c.bodies = splitBodies(ct, c.labels, 0);
  const MetatarsalAxis axis = metatarsalAxis(c.reduction.reduced.at(Bone::kM2), c.reduction.frame.distal);
  c.fixation.devices.push_back(screw(axis.base_centre + 15 * axis.distal, -axis.distal, 30, {"M2", "C2"}));
  const FilmStudio studio(c.bodies);

  const FilmedFoot filmed =
      filmedFoot(c.side, c.reduction.frame, c.reduction.reduced, reducedPoses(c), c.fixation.devices, c.catalogue);
  const FootProjector projector(c.bodies);
  std::vector<std::vector<std::uint8_t>> pictures;
  for (const auto show : {FilmRequest::Show::kInjured, FilmRequest::Show::kReduced, FilmRequest::Show::kMetal}) {
    FilmRequest r;
    r.orbital_deg = 30;
    r.tilt_deg = 10;
    r.show = show;
    r.pixels = 300;
    const auto png = studio.film(c, r);
    ASSERT_TRUE(png) << english(png.error());
    const Unpacked picture = unpacked(*png);
    ASSERT_EQ(picture.width, 300);
    ASSERT_EQ(picture.height, 300);
    pictures.push_back(picture.grey);
    // The stage's own film at a pixel that makes it as large: the same picture in the middle.
    auto tube = tubeFromWord("orbital=30,tilt=10")->first;
    const FilmedState state = kFilmedStates[static_cast<std::size_t>(show)];
    tube.pixel_mm = 1;
    const auto coarse = simulate(projector, filmed, tube, "", std::span(&state, 1));
    ASSERT_TRUE(coarse);
    const Film& film = coarse->front().film;
    const double scale = 1 / picture.pixel_mm;
    double difference = 0, brightest = 0;
    int count = 0;
    for (int y = 20; y < film.rows - 20; ++y)
      for (int x = 5; x < film.columns - 5; ++x) {
        const int u = static_cast<int>(150 + (x - (film.columns - 1) / 2.0) * scale),
                  v = static_cast<int>(150 + (y - (film.rows - 1) / 2.0) * scale);
        if (u < 0 || v < 0 || u >= 300 || v >= 300) continue;
        const double mine = pictures.back()[static_cast<std::size_t>(v * 300 + u)] / 255.0;
        difference += std::abs(mine - std::clamp(static_cast<double>(film.at(x, y)), 0.0, 1.0));
        brightest = std::max(brightest, mine);
        ++count;
      }
    EXPECT_GT(brightest, 0.8);
    EXPECT_LT(difference / count, 0.012);
  }
  EXPECT_NE(pictures[0], pictures[1]);
  EXPECT_NE(pictures[1], pictures[2]);
}

TEST(FilmStudio, NamedViewsAnglesAndErrors) {
  Case c = caseOf(Side::kLeft);
  Grid grid = gridAround(c.injured, 2, 10);
  c.labels = LabelVolume(grid);
  for (const auto& [bone, surface] : c.injured) (void)fillInside(c.labels, surface, label(bone));
  CtVolume ct(grid, 20);
  c.bodies = splitBodies(ct, c.labels, 0);
  const FilmStudio studio(c.bodies);
  FilmRequest r;
  r.pixels = 128;
  const auto angles = studio.film(c, r);
  r.view = "dorsoplantar-15";
  const auto named = studio.film(c, r);
  ASSERT_TRUE(angles && named);
  EXPECT_EQ(*angles, *named);  // the angles' defaults
  r.view = "from-below";
  EXPECT_EQ(studio.film(c, r).error().fault, Fault::kRequest);
  r.view.clear();
  r.tilt_deg = std::nan("");
  EXPECT_EQ(studio.film(c, r).error().where, "orbital, tilt");
  r = {};
  r.pixels = 10000;
  EXPECT_EQ(studio.film(c, r).error().where, "pixels");
  r = {};
  c.reduction.reduced.clear();
  EXPECT_EQ(studio.film(c, r).error().where, "plan");
}

}  // namespace
}  // namespace rayset
