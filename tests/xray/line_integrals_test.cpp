#include "xray/line_integrals.h"

#include <gtest/gtest.h>
#include <tbb/global_control.h>
#include <tbb/parallel_for.h>

#include "views.h"
#include "xray/itk_ray_cast.h"

namespace rayset {
namespace {

using namespace xray_test;

/// Required accuracy: path lengths, and errors against a fine trilinear reference. Analytic bodies are drawn with
/// voxels of kFine: at 0.4 mm the voxels themselves are off by 0.6 % at the skin, marched finely or not.
constexpr double kTolerance = 0.005;
constexpr double kFine = 0.25;

std::vector<float> drawn(const ProjectionVolume& volume, const ProjectionView& view,
                         InstructionSet set = bestInstructionSet(), Threads threads = Threads::kAll) {
  std::vector<float> out = blank(view);
  addLineIntegrals(volume, view, 1, out, set, threads);
  return out;
}

std::vector<float> marched(const ProjectionVolume& volume, const ProjectionView& view, double step = 0.1) {
  std::vector<float> out = blank(view);
  addLineIntegralsReference(volume, view, 1, out, step);
  return out;
}

std::vector<InstructionSet> here() {
  std::vector<InstructionSet> sets;
  for (const auto set : {InstructionSet::kScalar, InstructionSet::kAvx2, InstructionSet::kAvx512})
    if (supported(set)) sets.push_back(set);
  return sets;
}

/// Directions of the beam: straight, tilted, at 45 degrees to two and to three axes.
const std::vector<Vec3>& beams() {
  static const std::vector<Vec3> all{{0, 0, 1},     {0, 0, -1}, {1, 0, 0},    {0, -1, 0},
                                     {0.2, 0.3, 1}, {1, 0, 1},  {-1, 1, 0.1}, {1, -1, 1}};
  return all;
}

TEST(LineIntegrals, BallFromEverySide) {
  const double radius = 12;
  const Vec3 centre(0.13, -0.31, 0.22);
  const auto ball = voxelised(centred({106, 106, 106}, Vec3::Constant(kFine)), 1000,
                              [&](const Vec3& p) { return (p - centre).norm() - radius; });
  const ProjectionVolume volume(ball.grid, ball.voxels);
  for (const Vec3& beam : beams()) {
    const ProjectionView view = viewAlong(beam, Vec3::Zero(), 600, 700, 80, 0.4, 0.3);
    const auto out = drawn(volume, view);
    std::vector<double> expected;
    for (int r = 0; r < view.rows; ++r)
      for (int c = 0; c < view.columns; ++c)
        expected.push_back(1000 *
                           ballChord(view.source, (view.place(c, r) - view.source).normalized(), centre, radius));
    EXPECT_LT(relativeL1(out, expected), kTolerance) << beam.transpose();
    EXPECT_NEAR(*std::max_element(out.begin(), out.end()) / 1000, 2 * radius, kTolerance * 2 * radius)
        << beam.transpose();
  }
}

TEST(LineIntegrals, CylinderAcrossAndAskew) {
  const double radius = 6;  // along y, longer than the picture
  const auto cylinder = voxelised(centred({56, 240, 56}, Vec3::Constant(kFine)), 2000,
                                  [&](const Vec3& p) { return std::hypot(p.x(), p.z()) - radius; });
  const ProjectionVolume volume(cylinder.grid, cylinder.voxels);
  for (const Vec3& beam : {Vec3(0, 0, 1), Vec3(1, 0, 1), Vec3(0.3, 0.5, -1)}) {
    const ProjectionView view = viewAlong(beam, Vec3::Zero(), 800, 900, 48, 0.4);
    const auto out = drawn(volume, view);
    std::vector<double> expected;
    for (int r = 0; r < view.rows; ++r)
      for (int c = 0; c < view.columns; ++c) {
        const Vec3 d = (view.place(c, r) - view.source).normalized();
        const Vec2 o(view.source.x(), view.source.z()), e(d.x(), d.z());
        const double along = -o.dot(e) / e.norm(), off2 = o.squaredNorm() - along * along;
        expected.push_back(off2 < radius * radius ? 4000 * std::sqrt(radius * radius - off2) / e.norm() : 0);
      }
    EXPECT_LT(relativeL1(out, expected), kTolerance) << beam.transpose();
  }
}

TEST(LineIntegrals, SlabIsLongerByTheCosine) {
  // 40 voxels of 0.25 mm with their hats: 10 mm thick.
  const Volume<std::int16_t> slab(centred({300, 200, 40}, Vec3::Constant(kFine)), 1500);
  const ProjectionVolume volume(slab.grid, slab.voxels);
  for (const double degrees : {0.0, 20.0, 40.0, 45.0, 55.0}) {
    const double a = degrees * M_PI / 180;
    const ProjectionView view = viewAlong({std::sin(a), 0, std::cos(a)}, Vec3::Zero(), 500, 600, 40, 0.25);
    const auto out = drawn(volume, view);
    for (int r = 0; r < view.rows; r += 3)
      for (int c = 0; c < view.columns; c += 3) {
        const double cosine = std::abs((view.place(c, r) - view.source).normalized().z());
        EXPECT_NEAR(static_cast<double>(out[static_cast<std::size_t>(r * view.columns + c)]) * cosine / 1500, 10,
                    10 * kTolerance);
      }
  }
}

/// Centre of brightness of the picture, in pixels.
Vec2 brightest(const std::vector<float>& out, const ProjectionView& view) {
  Vec2 sum = Vec2::Zero();
  double weight = 0;
  for (int r = 0; r < view.rows; ++r)
    for (int c = 0; c < view.columns; ++c) {
      const double w = static_cast<double>(out[static_cast<std::size_t>(r * view.columns + c)]);
      sum += w * Vec2(c, r);
      weight += w;
    }
  return sum / weight;
}

/// A bead of 3 mm at p.
ProjectionVolume bead(const Vec3& p) {
  Grid g = centred({14, 14, 14}, Vec3::Constant(0.3));
  g.origin += p;
  const auto v = voxelised(g, 3000, [&](const Vec3& q) { return (q - p).norm() - 1.5; });
  return {v.grid, v.voxels};
}

TEST(LineIntegrals, MagnifiesBySidOverSidLessOid) {
  for (const double oid : {30.0, 60.0, 100.0}) {
    const double sid = 1016;
    const ProjectionView view = viewAlong({0, 0, 1}, {0, 0, 0}, sid - oid, sid, 300, 0.2);
    const Vec2 a = brightest(drawn(bead({-10, -5, 0}), view), view), b = brightest(drawn(bead({10, 5, 0}), view), view);
    const double length = std::sqrt(500.0);
    EXPECT_NEAR((a - b).norm() * 0.2 / length, sid / (sid - oid), 5e-4) << oid;
  }
}

TEST(LineIntegrals, ForeshortensByTheCosine) {
  // Two beads 30 mm apart on an axis that leans out of the detector's plane; a far source leaves the cosine alone.
  for (const double degrees : {10.0, 15.0, 20.0}) {
    const double a = degrees * M_PI / 180;
    const Vec3 half(0, 15 * std::cos(a), 15 * std::sin(a));
    const ProjectionView view = viewAlong({0, 0, 1}, Vec3::Zero(), 2e5, 2e5 + 60, 200, 0.2);
    const double seen =
        (brightest(drawn(bead(half), view), view) - brightest(drawn(bead(-half), view), view)).norm() * 0.2;
    EXPECT_NEAR(seen / 30, std::cos(a), 1e-3) << degrees;
  }
}

TEST(LineIntegrals, EveryInstructionSetGivesTheSameBits) {
  std::mt19937_64 random(11);
  std::uniform_int_distribution<int> value(-3000, 16000);
  for (const Eigen::Vector3i& size :
       {Eigen::Vector3i(70, 45, 33), Eigen::Vector3i(1, 90, 31), Eigen::Vector3i(5, 3, 1)}) {
    Volume<std::int16_t> noise(centred(size, Vec3(0.5, 0.7, 0.6), randomRotation(random)));
    for (auto& v : noise.voxels) v = static_cast<std::int16_t>(value(random));
    const ProjectionVolume volume(noise.grid, noise.voxels);
    for (const Vec3& beam : beams()) {
      const ProjectionView view = viewAlong(beam, Vec3::Zero(), 150, 250, 90, 0.6, 1.0);
      const auto scalar = drawn(volume, view, InstructionSet::kScalar);
      EXPECT_GT(relativeL1(blank(view), scalar), 0.99);  // it is no empty picture
      for (const auto set : here()) EXPECT_EQ(drawn(volume, view, set), scalar) << static_cast<int>(set);
    }
  }
}

TEST(LineIntegrals, RandomGeometryAgainstMarching) {
  std::mt19937_64 random(5);
  std::uniform_real_distribution<double> unit(0, 1);
  for (int trial = 0; trial < 24; ++trial) {
    const Vec3 spacing(0.35 + 0.2 * unit(random), 0.35 + 0.2 * unit(random), 0.35 + 0.35 * unit(random));
    const Vec3 extent(24, 20, 30);
    const Eigen::Vector3i size = (extent.cwiseQuotient(spacing)).array().ceil().cast<int>() + 3;
    Mat3 direction = randomRotation(random);
    if (trial % 3 == 0) direction.col(2) *= -1;  // left-handed
    Volume<std::int16_t> body = boneLike(centred(size, spacing), 10.5);
    body.grid = centred(size, spacing, direction);
    const ProjectionVolume volume(body.grid, body.voxels);
    const double source = 60 + 900 * unit(random) * unit(random);
    const Vec3 beam = randomRotation(random).col(0);
    const Vec3 centre = 3 * Vec3(unit(random) - 0.5, unit(random) - 0.5, unit(random) - 0.5);
    const double sid = source + 20 + 40 * unit(random);
    const ProjectionView view =
        viewAlong(beam, centre, source, sid, 56, (0.4 + 0.4 * unit(random)) * sid / source, 6 * unit(random));
    EXPECT_LT(relativeL1(drawn(volume, view), marched(volume, view)), kTolerance)
        << trial << ": source " << source << ", beam in voxels " << (direction.transpose() * beam).transpose();
  }
}

TEST(LineIntegrals, NearSourceTurnsTheAxisWithinThePicture) {
  // A cone of 35 degrees half angle: three axes rule in one picture.
  const Volume<std::int16_t> body = boneLike(centred({70, 60, 90}, Vec3::Constant(0.45)), 14);
  const ProjectionVolume volume(body.grid, body.voxels);
  for (const Vec3& beam : {Vec3(1, 0, 1), Vec3(1, 1, 1), Vec3(-1, 1, -1)}) {
    const ProjectionView view = viewAlong(beam, Vec3::Zero(), 32, 45, 100, 0.7);
    EXPECT_LT(relativeL1(drawn(volume, view), marched(volume, view)), kTolerance) << beam.transpose();
  }
}

TEST(LineIntegrals, SourceBesideAndInsideTheBox) {
  // Half of the box lies behind the source's plane; rays that start inside see what is in front of them.
  Volume<std::int16_t> block(centred({60, 60, 60}, Vec3::Constant(0.5)), 1000);
  const ProjectionVolume volume(block.grid, block.voxels);
  ProjectionView view = viewAlong({0, 0, 1}, {0.1, 0.2, 0.1}, 0, 40, 30, 0.8);
  EXPECT_EQ(shadow(volume.grid(), view), (PixelBox{0, 0, 30, 30}));
  // The plane nearest to the source counts whole or not at all: half a voxel of 30.
  EXPECT_LT(relativeL1(drawn(volume, view), marched(volume, view)), 0.02);
}

TEST(LineIntegrals, ThinAndTinyVolumes) {
  // A sheet of one voxel, seen from the front and askew, and a single voxel: the hat's own integral over the picture.
  for (int axis = 0; axis < 3; ++axis) {
    Eigen::Vector3i size(40, 40, 40);
    size[axis] = 1;
    const Volume<std::int16_t> sheet(centred(size, Vec3::Constant(0.5)), 1000);
    const ProjectionVolume volume(sheet.grid, sheet.voxels);
    Vec3 beam(0.3, -0.2, 0.25);
    beam[axis] = 1;
    const ProjectionView view = viewAlong(beam, Vec3::Zero(), 300, 350, 50, 0.5);
    // Exact inside; at the rim the plane's one sample stands for the slanted way through its hat.
    EXPECT_LT(relativeL1(drawn(volume, view), marched(volume, view)), 0.02) << axis;
    EXPECT_NEAR(drawn(volume, view)[25 * 50 + 25] / marched(volume, view)[25 * 50 + 25], 1, 1e-4) << axis;
  }
  const std::vector<std::int16_t> one{1};
  Grid grid;
  grid.spacing = Vec3(0.5, 0.6, 0.7);
  grid.size = {1, 1, 1};
  const ProjectionVolume volume(grid, one);
  const ProjectionView view = viewAlong({0.2, 0.1, 1}, Vec3::Zero(), 1000, 1000, 60, 0.05);
  const auto out = drawn(volume, view);
  // Over the detector the integral is the hat's volume, as the source is far: value x voxel. The outermost, negative
  // lobes of the four-point interpolation fall outside the shadow and are missing.
  EXPECT_NEAR(std::accumulate(out.begin(), out.end(), 0.0) * 0.05 * 0.05, 0.5 * 0.6 * 0.7, 0.05 * 0.21);
}

TEST(LineIntegrals, LargeAndSmallValuesKeepTheirPrecision) {
  for (const double value : {1.0, 40.0, 5000.0, 32767.0}) {
    Volume<std::int16_t> block(centred({40, 30, 50}, Vec3::Constant(0.4)), static_cast<std::int16_t>(value));
    const ProjectionVolume volume(block.grid, block.voxels);
    const ProjectionView view = viewAlong({0.1, 0.2, 1}, Vec3::Zero(), 500, 600, 40, 0.4);
    EXPECT_LT(relativeL1(drawn(volume, view), marched(volume, view)), kTolerance) << value;
    EXPECT_NEAR(volume.value(3, 4, 5), value, value > 16383 ? 1 : 0);
  }
}

TEST(LineIntegrals, ManyPlanesDoNotOverflow) {
  // 1300 planes of the largest value along the beam: more than 32 bits hold.
  Volume<std::int16_t> rod(centred({6, 6, 1300}, Vec3::Constant(0.5)), 16383);
  const ProjectionVolume volume(rod.grid, rod.voxels);
  const ProjectionView view = viewAlong({0, 0, 1}, Vec3::Zero(), 1e5, 1e5, 3, 0.3);
  for (const auto set : here())
    for (const float v : drawn(volume, view, set)) EXPECT_NEAR(static_cast<double>(v) / (16383 * 650.0), 1, 1e-4);
}

TEST(LineIntegrals, MovedBodyIsTheMovedTube) {
  const double radius = 9;
  const auto ball =
      voxelised(centred({80, 80, 80}, Vec3::Constant(kFine)), 1000, [&](const Vec3& p) { return p.norm() - radius; });
  const ProjectionVolume volume(ball.grid, ball.voxels);
  const Rigid X = turnAbout({3, 1, 0}, {0.3, -0.5, 0.9}, {7, -4, 5});
  const ProjectionView view = viewAlong({0.1, 0.2, 1}, Vec3::Zero(), 500, 600, 120, 0.4);
  const auto out = drawn(volume, view.moved(X.inverse()));
  std::vector<double> expected;
  for (int r = 0; r < view.rows; ++r)
    for (int c = 0; c < view.columns; ++c)
      expected.push_back(
          1000 * ballChord(view.source, (view.place(c, r) - view.source).normalized(), X * Vec3::Zero(), radius));
  EXPECT_LT(relativeL1(out, expected), kTolerance);
  EXPECT_GT(relativeL1(drawn(volume, view), expected), 0.5);  // unmoved it is elsewhere
}

TEST(LineIntegrals, PartsAddUpToTheWhole) {
  const Volume<std::int16_t> body = boneLike(centred({60, 52, 76}, Vec3(0.45, 0.5, 0.4)), 11);
  const ProjectionVolume whole(body.grid, body.voxels);
  const ProjectionView view = viewAlong({0.4, 0.2, 1}, Vec3::Zero(), 400, 500, 90, 0.5);
  auto sum = blank(view);
  const Eigen::Vector3i cut(31, 20, 33);
  for (int part = 0; part < 8; ++part) {
    Eigen::Vector3i from, to;
    for (int a = 0; a < 3; ++a) {
      const bool second = ((part >> a) & 1) != 0;
      from[a] = second ? cut[a] : 0;
      to[a] = second ? body.grid.size[a] : cut[a];
    }
    Grid grid = body.grid;
    grid.size = to - from;
    grid.origin = body.grid.toPatient(from.cast<double>());
    Volume<std::int16_t> piece(grid);
    for (int k = 0; k < grid.size.z(); ++k)
      for (int j = 0; j < grid.size.y(); ++j)
        for (int i = 0; i < grid.size.x(); ++i) piece.at(i, j, k) = body.at(i + from.x(), j + from.y(), k + from.z());
    addLineIntegrals(ProjectionVolume(piece.grid, piece.voxels), view, 1, sum);
  }
  EXPECT_LT(relativeL1(sum, drawn(whole, view)), kTolerance);
}

TEST(LineIntegrals, AddsAndScales) {
  const Volume<std::int16_t> block(centred({20, 20, 20}, Vec3::Constant(0.5)), 1000);
  const ProjectionVolume volume(block.grid, block.voxels);
  const ProjectionView view = viewAlong({0, 0, 1}, Vec3::Zero(), 300, 350, 40, 0.5);
  const auto once = drawn(volume, view);
  std::vector<float> out(once.size(), 7);
  addLineIntegrals(volume, view, -0.5F, out);
  for (std::size_t n = 0; n < out.size(); ++n) EXPECT_FLOAT_EQ(out[n], 7 - 0.5F * once[n]);
}

TEST(LineIntegrals, ShadowHoldsEverythingAndNothingElseIsTouched) {
  Grid grid = centred({20, 24, 28}, Vec3::Constant(0.5));
  const Volume<std::int16_t> block(grid, 1000);
  const ProjectionVolume volume(block.grid, block.voxels);
  ProjectionView view = viewAlong({0.2, 0.5, 1}, {9, 0, 0}, 300, 350, 64, 0.5);  // partly beside the detector
  const PixelBox box = shadow(volume.grid(), view);
  ASSERT_FALSE(box.empty());
  EXPECT_TRUE(box.column == 0 || box.column + box.columns == 64 || box.row == 0 || box.row + box.rows == 64);
  EXPECT_LT(box.columns * box.rows, 64 * 64);
  const auto reference = marched(volume, view, 0.5);
  std::vector<float> out(blank(view).size(), -1);
  addLineIntegrals(volume, view, 1, out);
  for (int r = 0; r < 64; ++r)
    for (int c = 0; c < 64; ++c) {
      const bool inside = c >= box.column && c < box.column + box.columns && r >= box.row && r < box.row + box.rows;
      if (inside) continue;
      EXPECT_EQ(reference[static_cast<std::size_t>(r * 64 + c)], 0) << c << ' ' << r;
      EXPECT_EQ(out[static_cast<std::size_t>(r * 64 + c)], -1) << c << ' ' << r;
    }
}

TEST(LineIntegrals, PartOfTheDetectorIsPartOfThePicture) {
  const Volume<std::int16_t> body = boneLike(centred({60, 52, 76}, Vec3(0.45, 0.5, 0.4)), 11);
  const ProjectionVolume volume(body.grid, body.voxels);
  const ProjectionView view = viewAlong({0.4, 0.2, 1}, Vec3::Zero(), 400, 500, 90, 0.5);
  const auto whole = drawn(volume, view);
  // Down to a single column, row and pixel.
  for (const PixelBox& box :
       {PixelBox{20, 31, 40, 25}, PixelBox{44, 10, 1, 60}, PixelBox{5, 47, 80, 1}, PixelBox{45, 45, 1, 1}}) {
    const auto part = drawn(volume, view.cropped(box.column, box.row, box.columns, box.rows));
    std::vector<float> expected;
    for (int r = 0; r < box.rows; ++r)
      for (int c = 0; c < box.columns; ++c)
        expected.push_back(whole[static_cast<std::size_t>((box.row + r) * 90 + box.column + c)]);
    EXPECT_GT(std::accumulate(expected.begin(), expected.end(), 0.0), 1000);
    EXPECT_LT(relativeL1(part, expected), kTolerance) << box.column << ' ' << box.row;
  }
}

TEST(LineIntegrals, NothingWhereNothingIs) {
  const Volume<std::int16_t> empty(centred({10, 10, 10}, Vec3::Ones()), 0);
  const ProjectionVolume nothing(empty.grid, empty.voxels);
  EXPECT_EQ(nothing.grid().count(), 0U);
  ProjectionView view = viewAlong({0, 0, 1}, Vec3::Zero(), 300, 350, 20, 0.5);
  EXPECT_TRUE(shadow(nothing.grid(), view).empty());
  EXPECT_EQ(drawn(nothing, view), blank(view));

  const Volume<std::int16_t> block(centred({10, 10, 10}, Vec3::Ones()), 1000);
  const ProjectionVolume volume(block.grid, block.voxels);
  view = viewAlong({0, 0, 1}, {200, 0, 0}, 300, 350, 20, 0.5);  // beside the detector
  EXPECT_TRUE(shadow(volume.grid(), view).empty());
  EXPECT_EQ(drawn(volume, view), blank(view));
  view = viewAlong({0, 0, 1}, {0, 0, 400}, 300, 350, 20, 0.5);  // behind the source
  EXPECT_EQ(drawn(volume, view), blank(view));
}

TEST(LineIntegrals, CutsZerosAway) {
  Volume<std::int16_t> sparse(centred({30, 30, 30}, Vec3::Ones()));
  sparse.at(4, 7, 9) = 5;
  sparse.at(10, 8, 20) = 6;
  const ProjectionVolume volume(sparse.grid, sparse.voxels);
  EXPECT_EQ(volume.grid().size, Eigen::Vector3i(7, 2, 12));
  EXPECT_TRUE(volume.grid().origin.isApprox(sparse.grid.toPatient({4, 7, 9})));
  EXPECT_EQ(volume.value(0, 0, 0), 5);
  EXPECT_EQ(volume.value(6, 1, 11), 6);
}

TEST(LineIntegrals, SameBitsWithAnyNumberOfThreads) {
  const Volume<std::int16_t> body = boneLike(centred({80, 70, 90}, Vec3::Constant(0.4)), 12);
  const ProjectionVolume volume(body.grid, body.voxels);
  for (const Vec3& beam : {Vec3(0.2, 0.1, 1), Vec3(1, 0.1, 1)}) {
    const ProjectionView view = viewAlong(beam, Vec3::Zero(), 120, 160, 150, 0.4);
    const auto one = drawn(volume, view, bestInstructionSet(), Threads::kOne);
    for (const std::size_t threads : {1, 2, 5}) {
      const tbb::global_control limit(tbb::global_control::max_allowed_parallelism, threads);
      EXPECT_EQ(drawn(volume, view), one);
    }
    // Many at once share the volume, whose layouts are then made by whoever comes first.
    const ProjectionVolume fresh(body.grid, body.voxels);
    std::vector<std::vector<float>> many(6);
    tbb::parallel_for(0, 6, [&](int n) {
      many[static_cast<std::size_t>(n)] =
          drawn(fresh, view, bestInstructionSet(), n % 2 != 0 ? Threads::kOne : Threads::kAll);
    });
    for (const auto& out : many) EXPECT_EQ(out, one);
  }
}

TEST(LineIntegrals, AgreesWithItk) {
  const Volume<std::int16_t> body = boneLike(centred({64, 56, 80}, Vec3(0.45, 0.5, 0.4)), 11);
  const ProjectionVolume volume(body.grid, body.voxels);
  for (const Vec3& beam : {Vec3(0, 0.01, 1), Vec3(0.3, 0.2, 1), Vec3(1, 0.1, 1)}) {
    const ProjectionView view = viewAlong(beam, Vec3::Zero(), 700, 900, 96, 0.5);
    const auto ours = drawn(volume, view), itk = itkRayCast(body, view, 1);
    double mo = 0, mi = 0, oo = 0, ii = 0, oi = 0;
    const auto n = static_cast<double>(ours.size());
    for (std::size_t k = 0; k < ours.size(); ++k) {
      mo += static_cast<double>(ours[k]) / n;
      mi += static_cast<double>(itk[k]) / n;
    }
    for (std::size_t k = 0; k < ours.size(); ++k) {
      const double o = static_cast<double>(ours[k]) - mo, i = static_cast<double>(itk[k]) - mi;
      oo += o * o;
      ii += i * i;
      oi += o * i;
    }
    EXPECT_GT(oi / std::sqrt(oo * ii), 0.999) << beam.transpose();
    EXPECT_NEAR(mo / mi, 1, 0.01) << beam.transpose();
  }
}

TEST(LineIntegrals, RefusesWhatDoesNotFit) {
  const std::vector<std::int16_t> voxels(8, 1);
  Grid grid;
  grid.size = {2, 2, 2};
  EXPECT_THROW(ProjectionVolume(grid, std::span(voxels).first(7)), std::invalid_argument);
  Grid flat = grid;
  flat.spacing.y() = 0;
  EXPECT_THROW(ProjectionVolume(flat, voxels), std::invalid_argument);
  Grid skew = grid;
  skew.direction(0, 1) = 0.2;
  EXPECT_THROW(ProjectionVolume(skew, voxels), std::invalid_argument);
  const ProjectionVolume volume(grid, voxels);
  const ProjectionView view = viewAlong({0, 0, 1}, Vec3::Zero(), 300, 350, 20, 0.5);
  std::vector<float> small(399);
  EXPECT_THROW(addLineIntegrals(volume, view, 1, small), std::invalid_argument);
}

}  // namespace
}  // namespace rayset
