// The three cuneiforms, the cuboid and the navicular: blocks whose articular faces are the shared sheets of the plan.
#include "anatomy/procedural_parts.h"

namespace rayset::procedural {
namespace {

constexpr double kTarsalHalfGap = 0.62;  // intercuneiform 1.2 +-0.3 mm (weight-bearing CT, data/limits.json)

Axes blockAxes(const Vec3& centre, double declination, double swing, double roll) {
  const Vec3 along = at(std::sin(swing), std::cos(swing), -std::tan(declination));
  return axesAlong(centre, centre + along, roll);
}

}  // namespace

std::vector<Part> midtarsalParts(const Layout& plan) {
  std::vector<Part> parts;
  const double half = plan.gap / 2;
  constexpr double kRim = 2.0;  // rounding of the rims of articular faces
  {  // Medial cuneiform: base of the wedge plantar, distal face kidney-shaped like the base it meets, lower behind.
    const Axes axes = blockAxes(at(17.2, -2, 35.0), 0.26, 0.05, -0.05);
    const std::vector<Station> s{{-19, -0.3, -0.5, 8.4, 11, 10.4, 11.6, 2.3, 2.5, -0.16, 0},
                                 {-11, -0.3, -0.3, 9.2, 11, 11.6, 13.4, 2.2, 2.5, -0.20, 0},
                                 {0, 0, 0, 9.4, 11.5, 13.8, 15.4, 2.2, 2.5, -0.22, 0},
                                 {10, -0.8, 0, 6.0, 11.9, 15.1, 15.4, 2.6, 2.7, -0.04, 4.8},
                                 {20, -0.6, 0, 4.8, 12.2, 15.2, 15.4, 2.8, 2.8, 0.02, 6.2}};
    const Field f = plan.surfaced(Loft(axes, s, 1.0), 0.15, 5.1);
    parts.push_back({Bone::kC1, boxAround({axes.origin}, 24), [f, plan, half](const Vec3& p) {
                       double d = smoothMax(f(p), plan.tmt[0](p) + half, kRim);
                       d = smoothMax(d, kTarsalHalfGap - plan.cuneonavicular(p), kRim);
                       // It recedes where it faces the second base: C1-M2 3.7 mm, C1-C2 1.2 mm (data/limits.json).
                       const double recede = kTarsalHalfGap + 0.95 * ramp(plan.tmt[1](p), -1.5, 1.5);
                       return smoothMax(d, recede - plan.wall[0](p), kRim);
                     }});
  }
  {  // Intermediate: base of the wedge dorsal, the shortest.
    const Axes axes = blockAxes(at(0.4, -9, 41.2), 0.34, 0, 0.04);
    const std::vector<Station> s{{-14, 0, 0, 10, 10, 10.6, 13.0, 2.5, 2.3, 0.25, 0},
                                 {-2, 0, 0, 9.4, 9.4, 10.6, 12.2, 2.5, 2.3, 0.25, 0},
                                 {12, 0, 0, 10, 10, 10.4, 13.0, 2.5, 2.3, 0.25, 0}};
    const Field f = plan.surfaced(Loft(axes, s, 1.0), 0.15, 6.2);
    parts.push_back({Bone::kC2, boxAround({axes.origin}, 20), [f, plan, half](const Vec3& p) {
                       double d = smoothMax(f(p), plan.tmt[1](p) + half, kRim);
                       d = smoothMax(d, kTarsalHalfGap - plan.cuneonavicular(p), kRim);
                       d = smoothMax(d, plan.wall[0](p) + kTarsalHalfGap, kRim);
                       return smoothMax(d, kTarsalHalfGap - plan.wall[1](p), kRim);
                     }});
  }
  {  // Lateral: base of the wedge dorsal.
    const Axes axes = blockAxes(at(-12.6, -9, 37.2), 0.3, -0.06, 0.2);
    const std::vector<Station> s{{-18, 0, 0, 10, 13.5, 9.8, 12.5, 2.4, 2.3, 0.25, 0},
                                 {-4, 0, 0, 9.6, 13.5, 10.6, 13.2, 2.4, 2.3, 0.25, 0},
                                 {18, 0, 0, 10, 13.0, 10.4, 13.2, 2.4, 2.3, 0.25, 0}};
    const Field f = plan.surfaced(Loft(axes, s, 1.0), 0.15, 7.7);
    parts.push_back({Bone::kC3, boxAround({axes.origin}, 22), [f, plan, half](const Vec3& p) {
                       double d = smoothMax(f(p), plan.tmt[2](p) + half, kRim);
                       d = smoothMax(d, kTarsalHalfGap - plan.cuneonavicular(p), kRim);
                       d = smoothMax(d, plan.wall[1](p) + kTarsalHalfGap, kRim);
                       return smoothMax(d, kTarsalHalfGap - plan.wall[2](p), kRim);
                     }});
  }
  {  // Cuboid: longer medially than laterally, ridge and groove of the peroneus longus under it.
    const Axes axes = blockAxes(at(-28.5, -20, 24.0), 0.12, -0.14, 0.4);
    const std::vector<Station> s{{-22, 0, 0, 15, 10.5, 9.8, 10.4, 2.2, 2.1, 0, 0},
                                 {-7, 0, 0, 17.5, 12.0, 11.4, 13.4, 2.2, 2.1, 0, 0},
                                 {2, 0, 0, 17.5, 12.2, 10.4, 13.8, 2.4, 2.3, 0, 0},
                                 {12, 0, 0, 16.5, 12.3, 8.8, 9.6, 2.5, 2.4, 0, 0},
                                 {20, 0, 0, 15.0, 12, 8.6, 9.0, 2.6, 2.4, 0, 0}};
    const Field f = plan.surfaced(
        without(Loft(axes, s, 2.0), capsule(at(-48, -25, 13.5), at(-16, -7.5, 6.5), 3.4, 3.4), 3.0), 0.2, 8.4);
    parts.push_back({Bone::kCub, boxAround({axes.origin}, 26), [f, plan, half](const Vec3& p) {
                       double d = smoothMax(f(p), plan.tmt[3](p) + half, kRim);
                       d = smoothMax(d, plan.tmt[4](p) + half, 0.6);
                       d = smoothMax(d, plan.wall[2](p) + kTarsalHalfGap, 3.0);
                       return smoothMax(d, 0.75 - plan.calcaneocuboid(p), 3.0);
                     }});
  }
  {  // Navicular: a boat, hollow for the talar head, three facets in front, tuberosity medial, plantar and proximal.
    // Fitted, with the talar head, to seven real feet of four people (docs/decisions/reduction.md).
    const Axes disc = blockAxes(at(3.8, -24.6, 41.2), 0.18, 0.16, 0.19);
    const std::vector<Station> s{{-12, 1.4, -1.3, 18.0, 17.5, 13.4, 13.5, 2.2, 2.2, 0.04, 1.0},
                                 {-4, -0.3, 0, 13.8, 15.3, 12.8, 12.5, 2.2, 2.2, 0.02, 0},
                                 {14, -1.7, -1.1, 18.1, 21.3, 11.1, 11.4, 2.2, 2.2, 0.06, -1.9}};
    const Field f = plan.surfaced(
        joined({Loft(disc, s, 5.0), capsule(at(15, -24.3, 38.5), at(18.9, -32.4, 29.0), 4.0, 7.8)}, 10.0), 0.2, 9.3);
    const Field head = ellipsoid(plan.talar_head, plan.talar_head_half);
    parts.push_back({Bone::kNav, boxAround({disc.origin}, 32), [f, head, plan](const Vec3& p) {
                       double d = smoothMax(f(p), plan.cuneonavicular(p) + kTarsalHalfGap, 3.5);
                       return smoothMax(d, 1.4 - head(p), 2.5);
                     }});
  }
  return parts;
}

}  // namespace rayset::procedural
