#include "anatomy/procedural_foot.h"

#include <tbb/parallel_for.h>

#include <random>

#include "anatomy/procedural_parts.h"
#include "geometry/distance_field.h"

namespace rayset {
namespace {

using namespace procedural;

/// Least distance kept by the pressing below (before scaling). Smaller than the joints' own gaps, which come from the
/// sheets; larger where bones come close outside joints and their fields are least like distances.
double leastGap(Bone a, Bone b) {
  auto hindfoot = [](Bone x) { return x == Bone::kTal || x == Bone::kCal || x == Bone::kTibia || x == Bone::kFibula; };
  if (hindfoot(a) && hindfoot(b)) return 1.3;
  return a == Bone::kSesamoids || b == Bone::kSesamoids ? 1.1 : 0.9;
}

/// Neighbours press on each other where their solids would be closer than the least gap: both end half of it from where
/// they are equally deep. Symmetric, so facing surfaces stay congruent.
double pressed(const std::vector<Part>& parts, const std::vector<std::vector<std::size_t>>& near, std::size_t i,
               const Vec3& p) {
  constexpr double kFillet = 0.15, kOutside = 4.0, kDeep = -12.0;  // solids overlap by less than kDeep where they press
  double f = parts[i].solid(p);
  if (f > kOutside || f < kDeep) return f;
  for (std::size_t j : near[i]) {
    if (!parts[j].box.contains(p)) continue;
    f = smoothMax(f, 0.5 * (f - parts[j].solid(p) + leastGap(parts[i].bone, parts[j].bone)), kFillet);
  }
  return f;
}

/// Samples a part on a grid, evaluating every point only in blocks the surface may pass through.
Surface meshed(const std::vector<Part>& parts, const std::vector<std::vector<std::size_t>>& near, std::size_t index,
               double step) {
  constexpr int kBlock = 4;
  // Fields overstate distance where sections change quickly along the axis; blocks are skipped only well away.
  constexpr double kSafety = 1.9;
  const Box& box = parts[index].box;
  Eigen::Vector3i blocks;
  for (int a = 0; a < 3; ++a) blocks[a] = static_cast<int>(std::ceil(box.sizes()[a] / (step * kBlock)));
  const Eigen::Vector3i size = blocks * kBlock;
  std::vector<float> values(static_cast<std::size_t>(size.x()) * static_cast<std::size_t>(size.y()) *
                            static_cast<std::size_t>(size.z()));
  const double reach = kSafety * 0.5 * std::sqrt(3.0) * kBlock * step;
  tbb::parallel_for(0, blocks.z(), [&](int bz) {
    for (int by = 0; by < blocks.y(); ++by) {
      for (int bx = 0; bx < blocks.x(); ++bx) {
        const Vec3 corner = box.min() + step * kBlock * Vec3(bx, by, bz);
        const double centre = pressed(parts, near, index, corner + Vec3::Constant(0.5 * step * (kBlock - 1)));
        const bool evaluate = std::abs(centre) < reach;
        for (int z = 0; z < kBlock; ++z) {
          for (int y = 0; y < kBlock; ++y) {
            const std::size_t row = (static_cast<std::size_t>(bz * kBlock + z) * static_cast<std::size_t>(size.y()) +
                                     static_cast<std::size_t>(by * kBlock + y)) *
                                        static_cast<std::size_t>(size.x()) +
                                    static_cast<std::size_t>(bx * kBlock);
            for (int x = 0; x < kBlock; ++x) {
              values[row + static_cast<std::size_t>(x)] =
                  static_cast<float>(evaluate ? pressed(parts, near, index, corner + step * Vec3(x, y, z)) : centre);
            }
          }
        }
      }
    }
  });
  return isosurface(values, size, box.min(), Vec3::Constant(step), 0);
}

/// Changes of the whole foot that bend it smoothly rather than change a bone: width, arches, size. One-to-one, so bones
/// stay closed and apart.
Vec3 reshaped(const Vec3& p, const FootShape& shape) {
  const double distal = -p.y(), medial = p.x();
  // Raising the first tarsometatarsal joint by `rise` rotates the rays about their heads and the hindfoot about the
  // heel.
  const double rise = 45.5 * (std::tan(shape.arch_rad) - std::tan(0.35));
  const double along = distal > 0 ? 1 - ramp(distal, -15, 75) : ramp(distal, -120, -15);
  const double across = 0.55 + 0.45 * ramp(medial, -45, 20);
  double z = p.z() + rise * along * across;
  // The transverse arch: dorsal above, lateral column lower.
  const double crown =
      -0.012 * medial * medial * ramp(-medial, -30, 30) * ramp(distal, -60, 0) * (1 - ramp(distal, 0, 70));
  z += (shape.transverse_arch - 1) * crown * 0.6;
  return {p.x() * shape.width * shape.size, p.y() * shape.size, (z - 36.0) * shape.size};
}

}  // namespace

FootShape randomShape(std::uint32_t seed) {
  FootShape shape;
  if (seed == 0) return shape;
  std::mt19937 engine(seed);
  // Box-Muller by hand: std::normal_distribution differs between standard libraries.
  auto normal = [&engine] {
    const double u = (static_cast<double>(engine()) + 1.0) / 4294967297.0,
                 v = static_cast<double>(engine()) / 4294967296.0;
    return std::sqrt(-2 * std::log(u)) * std::cos(2 * M_PI * v);
  };
  auto draw = [&normal](double mean, double sd, double low, double high) {
    return std::clamp(mean + sd * normal(), low, high);
  };
  shape.size = draw(1.0, 0.07, 0.85, 1.15);             // M1 length SD 4.4 of 56.4 mm (PMC5713710)
  shape.width = draw(1.0, 0.04, 0.9, 1.1);              // design choice
  shape.arch_rad = draw(0.35, 0.05, 0.26, 0.47);        // declination 15 to 28 degrees plausible
  shape.transverse_arch = draw(1.0, 0.15, 0.7, 1.3);    // design choice
  shape.shaft_bow = draw(1.0, 0.3, 0.3, 1.8);           // design choice
  shape.mortise_depth_mm = draw(11.0, 1.4, 8.0, 14.0);  // Peicha 2002: controls 11.6, injured 8.95 mm; seats 8 to 14 mm
  shape.joint_gap_mm = draw(1.3, 0.15, 1.0, 1.7);       // bone to bone 1 to 3 mm (low confidence)
  shape.girth = draw(1.0, 0.07, 0.85, 1.15);            // M1 shaft SD 1.0 of 13.7 mm (PMC5713710)
  // Relative protrusion SD 2.7, 1.6, 2.2, 3.8 mm (Dominguez-Maldonado 2014) over lengths of about 60 to 75 mm.
  constexpr double kLengthSd[5] = {0.03, 0.01, 0.02, 0.025, 0.035};
  for (int i = 0; i < 5; ++i) shape.ray_length[i] = draw(1.0, kLengthSd[i], 1 - 2 * kLengthSd[i], 1 + 2 * kLengthSd[i]);
  shape.hallux_valgus_rad = draw(0.14, 0.025, 0.08, 0.19);  // angle between rays 1 and 2 below 9 degrees
  // Tali of one person differ by 0.6 to 0.7 mm between the sides (Islam 2014); people differ more. Design choice.
  shape.individuality_mm = draw(0.5, 0.15, 0.2, 0.8);
  shape.individuality_phase = draw(0.0, 3.0, -9.0, 9.0);
  return shape;
}

Foot proceduralFoot(const FootShape& shape, Side side, double detail_mm) {
  const Layout plan(shape);
  std::vector<Part> parts;
  for (auto make : {metatarsalParts, midtarsalParts, hindfootParts, toeParts}) {
    for (Part& part : make(plan)) parts.push_back(std::move(part));
  }
  std::vector<std::vector<std::size_t>> near(parts.size());
  for (std::size_t i = 0; i < parts.size(); ++i) {
    for (std::size_t j = 0; j < parts.size(); ++j) {
      if (i != j && parts[i].box.intersects(parts[j].box)) near[i].push_back(j);
    }
  }
  const double step = detail_mm / shape.size;
  std::vector<Surface> meshes(parts.size());
  tbb::parallel_for(std::size_t{0}, parts.size(), [&](std::size_t i) {
    meshes[i] = meshed(parts, near, i, step);
    for (Vec3& v : meshes[i].vertices) v = reshaped(v, shape);
  });
  Foot foot;
  std::map<Bone, std::vector<const Surface*>> pieces_of;
  for (std::size_t i = 0; i < parts.size(); ++i) pieces_of[parts[i].bone].push_back(&meshes[i]);
  for (const auto& [bone, list] : pieces_of) foot.bones[bone] = list.size() == 1 ? *list.front() : merged(list);
  return side == Side::kRight ? foot : mirrored(foot);
}

const Foot& meanProceduralFoot() {
  static const Foot foot = proceduralFoot({}, Side::kRight, 1.0);
  return foot;
}

}  // namespace rayset
