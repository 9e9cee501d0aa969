// The three cuneiforms, the cuboid and the navicular: blocks whose articular faces are the shared sheets of the plan.
#include "anatomy/procedural_parts.h"

namespace rayset::procedural {
namespace {

constexpr double kTarsalHalfGap = 0.62;  // intercuneiform 1.2 +-0.3 mm (weight-bearing CT, reference.md A)

Axes blockAxes(const Vec3& centre, double declination, double swing, double roll) {
  const Vec3 along = at(std::sin(swing), std::cos(swing), -std::tan(declination));
  return axesAlong(centre, centre + along, roll);
}

}  // namespace

std::vector<Part> midtarsalParts(const Layout& plan) {
  std::vector<Part> parts;
  const double half = plan.gap / 2;
  {  // Medial cuneiform: base of the wedge plantar, distal face kidney-shaped like the base it meets.
    const Axes axes = blockAxes(at(16.6, -2, 34.2), 0.2, 0.05, -0.05);
    const std::vector<Station> s{{-19, -0.5, 0.5, 8.6, 10, 10.0, 12.0, 2.6, 2.6, -0.10, 0},
                                 {-11, -0.5, 0.5, 9.2, 10, 11.5, 13.5, 2.6, 2.6, -0.12, 0},
                                 {0, 0, 0, 9.2, 11, 13.6, 15.2, 2.6, 2.6, -0.16, 0},
                                 {9, 0, 0, 9.4, 10.5, 15.0, 15.0, 2.5, 2.5, -0.10, 1.0},
                                 {20, 0, 0, 9.4, 9.6, 15.0, 15.4, 2.4, 2.4, 0, 2.0}};
    const Loft f(axes, s, 1.0);
    parts.push_back({Bone::kC1, boxAround({axes.origin}, 24), [f, plan, half](const Vec3& p) {
                       double d = smoothMax(f(p), plan.tmt[0](p) + half, 1.2);
                       d = smoothMax(d, kTarsalHalfGap - plan.cuneonavicular(p), 1.2);
                       // Where it faces the second base it recedes: C1-M2 3.7 mm, C1-C2 1.2 mm (reference.md A).
                       const double recede = kTarsalHalfGap + 0.95 * ramp(plan.tmt[1](p), -1.5, 1.5);
                       return smoothMax(d, recede - plan.wall[0](p), 1.2);
                     }});
  }
  {  // Intermediate: base of the wedge dorsal, the shortest.
    const Axes axes = blockAxes(at(0.4, -9, 39.5), 0.22, 0, 0.04);
    const std::vector<Station> s{{-14, 0, 0, 10, 10, 9.6, 12.5, 3.2, 2.4, 0.25, 0},
                                 {12, 0, 0, 10, 10, 9.2, 12.0, 3.2, 2.4, 0.25, 0}};
    const Loft f(axes, s, 1.0);
    parts.push_back({Bone::kC2, boxAround({axes.origin}, 20), [f, plan, half](const Vec3& p) {
                       double d = smoothMax(f(p), plan.tmt[1](p) + half, 1.0);
                       d = smoothMax(d, kTarsalHalfGap - plan.cuneonavicular(p), 1.0);
                       d = smoothMax(d, plan.wall[0](p) + kTarsalHalfGap, 1.0);
                       return smoothMax(d, kTarsalHalfGap - plan.wall[1](p), 1.0);
                     }});
  }
  {  // Lateral: base of the wedge dorsal.
    const Axes axes = blockAxes(at(-12.6, -9, 35.5), 0.2, -0.06, 0.2);
    const std::vector<Station> s{{-18, 0, 0, 10, 10, 9.4, 12.5, 3.0, 2.4, 0.25, 0},
                                 {18, 0, 0, 10, 10, 9.4, 12.5, 3.0, 2.4, 0.25, 0}};
    const Loft f(axes, s, 1.0);
    parts.push_back({Bone::kC3, boxAround({axes.origin}, 22), [f, plan, half](const Vec3& p) {
                       double d = smoothMax(f(p), plan.tmt[2](p) + half, 1.0);
                       d = smoothMax(d, kTarsalHalfGap - plan.cuneonavicular(p), 1.0);
                       d = smoothMax(d, plan.wall[1](p) + kTarsalHalfGap, 1.0);
                       return smoothMax(d, kTarsalHalfGap - plan.wall[2](p), 1.0);
                     }});
  }
  {  // Cuboid: longer medially than laterally, groove of the peroneus longus under it.
    const Axes axes = blockAxes(at(-28.5, -19, 24.0), 0.12, -0.14, 0.4);
    const std::vector<Station> s{{-20, 0, 0, 12.5, 12, 11.0, 11.5, 2.6, 2.4, 0, 0},
                                 {-4, 0, 0, 13.0, 13, 12.0, 14.0, 2.6, 2.4, 0, 0},
                                 {6, 0, 0, 13.0, 13, 10.0, 12.5, 2.6, 2.4, 0, 0},
                                 {20, 0, 0, 13.0, 12, 8.4, 9.0, 2.6, 2.4, 0, 0}};
    const Field f = without(Loft(axes, s, 2.0), capsule(at(-48, -20, 15.5), at(-18, -7, 6.0), 4.2, 4.2), 3.0);
    parts.push_back({Bone::kCub, boxAround({axes.origin}, 26), [f, plan, half](const Vec3& p) {
                       double d = smoothMax(f(p), plan.tmt[3](p) + half, 1.0);
                       d = smoothMax(d, plan.tmt[4](p) + half, 1.0);
                       d = smoothMax(d, plan.wall[2](p) + kTarsalHalfGap, 1.5);
                       return smoothMax(d, 0.75 - plan.calcaneocuboid(p), 1.2);
                     }});
  }
  {  // Navicular: a boat, hollow for the talar head, three facets in front, tuberosity medial and plantar.
    const Axes disc = blockAxes(at(5.5, -22.5, 38.5), 0.22, 0.1, 0.5);
    const Field f =
        joined({ellipsoid(disc, {22.5, 14, 15.0}), capsule(at(17, -23, 33), at(26.5, -27.5, 28.0), 8.0, 5.6)}, 5.0);
    const Field head = ellipsoid(plan.talar_head, plan.talar_head_half);
    parts.push_back({Bone::kNav, boxAround({disc.origin}, 32), [f, head, plan](const Vec3& p) {
                       double d = smoothMax(f(p), plan.cuneonavicular(p) + kTarsalHalfGap, 1.5);
                       return smoothMax(d, 1.4 - head(p), 1.5);
                     }});
  }
  return parts;
}

}  // namespace rayset::procedural
