// Where the rays and joints of the mean foot lie. Chosen to match the published sizes asserted in
// tests/anatomy/procedural_*; positions with no published value are design choices made to look right.
#include "anatomy/procedural_parts.h"

namespace rayset::procedural {
namespace {

/// A joint across the foot; `normal` in (medial, distal, dorsal) parts, `curve_m` and `curve_h` across and up.
Sheet transverse(const Vec3& origin, const Vec3& normal_mdh, double curve_m, double curve_h) {
  Sheet s;
  s.origin = origin;
  s.normal = at(normal_mdh.x(), normal_mdh.y(), normal_mdh.z()).normalized();
  s.along1 = (Vec3::UnitX() - s.normal * s.normal.x()).normalized();
  s.along2 = s.normal.cross(s.along1);
  s.curve1 = curve_m;
  s.curve2 = curve_h;
  return s;
}

/// A wall between two columns through a dorsal and a plantar point, running distally with `drift` mm medially per mm.
Sheet columnWall(const Vec3& dorsal, const Vec3& plantar, double drift) {
  Sheet s;
  s.origin = dorsal;
  const Vec3 along = at(drift, 1, 0).normalized();
  s.normal = (dorsal - plantar).cross(along).normalized();
  if (s.normal.x() < 0) s.normal = -s.normal;
  s.along1 = along;
  s.along2 = s.normal.cross(along);
  return s;
}

}  // namespace

Layout::Layout(const FootShape& foot) : shape(foot) {
  gap = shape.joint_gap_mm / shape.size;
  // Half of the recess comes from the second joint lying more proximally, half from the first lying more distally.
  const double recess = shape.mortise_depth_mm - 11.0;
  // (The offset of 1.6 mm: the rim beside the recess stands higher than the joint's centre, and the joint leans back.)
  const double d1 = 11.0 - 1.6 + recess / 2, d2 = -recess / 2;
  const double valgus = std::tan(shape.hallux_valgus_rad);

  const std::array<Vec3, 5> base{at(17.2, d1, 33.2), at(0.0, d2, 38.5), at(-13.4, 1.4, 34.0), at(-25.0, -7.0, 26.0),
                                 at(-36.6, -12.3, 19.8)};
  const std::array<Vec3, 5> head{at(17.2 + 47.0 * valgus, 56.4, 16.0), at(0.0, 60.3, 9.3), at(-15.0, 55.2, 8.8),
                                 at(-29.6, 46.6, 8.3), at(-43.5, 32.6, 7.8)};
  // Roll of each ray about its axis follows the transverse arch.
  constexpr std::array<double, 5> kRoll{-0.05, 0.06, 0.2, 0.36, 0.5};
  for (std::size_t i = 0; i < 5; ++i) {
    Vec3 tip = base[i] + (head[i] - base[i]) * shape.ray_length[i];
    tip.z() = head[i].z();
    ray[i] = axesAlong(base[i], tip, kRoll[i]);
    length[i] = (tip - base[i]).norm();
  }
  tmt[0] = transverse(base[0], {0.05, 1, -0.24}, 0.004, 0.0015);
  tmt[1] = transverse(base[1], {0.0, 1, -0.34}, 0.006, 0.002);
  tmt[2] = transverse(base[2], {-0.25, 1, -0.28}, 0.006, 0.002);
  tmt[3] = transverse(base[3], {-0.32, 1, -0.2}, 0.002, 0.002);
  tmt[4] = transverse(base[4], {-0.85, 1, -0.1}, 0.003, 0.004);

  wall[0] = columnWall(at(9.2, 0, 48), at(5.7, 0, 24), 0.1);
  wall[1] = columnWall(at(-7.6, 0, 47), at(-4.4, 0, 26), -0.05);
  wall[2] = columnWall(at(-20.4, 0, 40), at(-13.4, 0, 18), -0.15);
  wall[3] = columnWall(at(-31.4, -8, 30), at(-24.5, -8, 8), -0.14);

  cuneonavicular = transverse(at(0, -17.6, 42), {-0.24, 1, -0.28}, 0.005, 0.002);
  calcaneocuboid = transverse(at(-25, -37.8, 23), {0.13, 1, -0.1}, 0.006, -0.006);

  talar_head = axesAlong(at(3, -56, 46), at(7, -46, 42), 0.6);
  talar_head.origin = at(3.7, -46.8, 44.6);
  talar_head_half = Vec3(15.5, 14.9, 14.7);
}

}  // namespace rayset::procedural
