// The five metatarsals: a loft along each shaft, head and condyles, carved at the base by the joints.
#include "anatomy/procedural_parts.h"

namespace rayset::procedural {
namespace {

/// Axes of the ray moved to its head.
Axes headAxes(const Layout& plan, std::size_t i, double m = 0, double d = 0, double h = 0) {
  Axes axes = plan.ray[i];
  axes.origin = axes.global(m, plan.length[i] + d, h);
  return axes;
}

/// How far from the joint a wall between columns acts on a metatarsal: the bases lie against each other, shafts do not.
double wallAt(const Sheet& wall, const Vec3& p, double along) { return wall(p) + 0.35 * std::max(0.0, along - 20.0); }

struct Lesser {
  double base_w, base_d, base_p, wedge, shaft_w, shaft_h, head_w, head_l, head_h;
};

}  // namespace

std::vector<Part> metatarsalParts(const Layout& plan) {
  std::vector<Part> parts;
  const double half = plan.gap / 2, g = plan.shape.girth, bow = plan.shape.shaft_bow;
  {  // First: thick and short, kidney-shaped base twice as tall as wide.
    const Axes axes = plan.ray[0];
    const double L = plan.length[0];
    std::vector<Station> s{{-7, 0, 0, 9.3, 9.3, 14.8, 15.2, 2.3, 2.4, 0.0, 2.0},
                           {3, 0, 0, 9.3, 9.3, 14.6, 15.0, 2.3, 2.4, 0.0, 2.0},
                           {10, 0, 0, 8.2, 8.0, 11.4, 12.6, 2.3, 2.3, 0.0, 1.2},
                           {0.42 * L, 0, 0.6 * bow, 6.9 * g, 6.6 * g, 7.4 * g, 8.6 * g, 2.3, 2.0, 0.05, 0.3},
                           {0.62 * L, 0, 0.9 * bow, 6.7 * g, 6.5 * g, 6.6 * g, 7.4 * g, 2.3, 2.0, 0.05, 0},
                           {0.82 * L, 0, 0.3 * bow, 8.2, 7.8, 7.4, 7.8, 2.3, 2.2, 0, 0},
                           {0.97 * L, 0, 0, 10.0, 9.8, 8.6, 8.8, 2.3, 2.2, 0, 0}};
    Field f = joined({Loft(axes, s, 3.0), ellipsoid(headAxes(plan, 0), {10.8, 9.8, 9.8}),
                      ellipsoid(headAxes(plan, 0, 5.2, -2, -4), {5.2, 7.5, 6.6}),
                      ellipsoid(headAxes(plan, 0, -5.2, -2, -4), {5.2, 7.5, 6.6}),
                      ellipsoid(headAxes(plan, 0, 7.5, -4.5, 2), {4.0, 4.5, 4.5})},
                     3.0);
    // Sesamoid grooves either side of the crista.
    for (double m : {-5.6, 5.2}) {
      const Axes h = headAxes(plan, 0);
      f = without(f, capsule(h.global(m, -12, -15.0), h.global(m, 8, -14.6), 5.6, 5.6), 2.0);
    }
    parts.push_back(
        {Bone::kM1, boxAround({axes.global(0, -4, 0), axes.global(0, L + 6, 0)}, 18), [f, plan, half](const Vec3& p) {
           const double d = smoothMax(f(p), half - plan.tmt[0](p), 1.2);
           const double along = plan.ray[0].local(p).y();
           return smoothMax(d, 0.9 - plan.wall[0](p) - 0.35 * std::max(0.0, along - 20.0), 1.5);
         }});
  }
  const std::array<Lesser, 4> lesser{{{8.0, 9.8, 11.0, 0.34, 4.0, 4.4, 5.5, 7.4, 7.9},
                                      {7.4, 9.4, 10.6, 0.32, 3.7, 4.3, 5.2, 7.0, 7.4},
                                      {6.9, 8.2, 8.8, 0.22, 3.6, 4.1, 5.0, 6.8, 7.0},
                                      {8.2, 6.6, 6.6, 0.05, 4.5, 3.7, 5.2, 6.4, 6.3}}};
  for (std::size_t i = 1; i < 5; ++i) {
    const Lesser& b = lesser[i - 1];
    const Axes axes = plan.ray[i];
    const double L = plan.length[i];
    const double sw = b.shaft_w * g, sh = b.shaft_h * g;
    std::vector<Station> s{
        {-8, 0, 0, b.base_w, b.base_w, b.base_d, b.base_p, 2.8, 2.4, b.wedge, 0},
        {4, 0, 0, b.base_w, b.base_w, b.base_d, b.base_p, 2.8, 2.4, b.wedge, 0},
        {11, 0, 0.2, 0.5 * (b.base_w + sw), 0.5 * (b.base_w + sw), 0.45 * b.base_d + 0.55 * sh, 0.5 * (b.base_p + sh),
         2.5, 2.2, 0.6 * b.wedge, 0},
        {0.33 * L, 0, 0.9 * bow, sw * 1.06, sw * 1.06, sh * 1.05, sh * 1.15, 2.3, 2.0, 0.12, 0},
        {0.55 * L, 0, 1.5 * bow, sw, sw, sh, sh * 1.1, 2.3, 2.0, 0.1, 0},
        {0.78 * L, 0, 1.2 * bow, sw * 0.98, sw * 0.98, sh * 1.05, sh * 1.1, 2.2, 2.0, 0.05, 0},
        {0.9 * L, 0, 0.5 * bow, sw * 1.06, sw * 1.06, 0.6 * b.head_h, 0.66 * b.head_h, 2.2, 2.1, 0, 0},
        {L, 0, 0, 0.8 * b.head_w, 0.8 * b.head_w, 0.75 * b.head_h, 0.8 * b.head_h, 2.2, 2.1, 0, 0}};
    std::vector<Field> shapes{Loft(axes, s, 2.0), ellipsoid(headAxes(plan, i), {b.head_w, b.head_l, b.head_h})};
    for (double side : {-1.0, 1.0}) {
      // Plantar condyles and the collateral tubercles behind the head.
      shapes.push_back(ellipsoid(headAxes(plan, i, side * 0.5 * b.head_w, -0.22 * b.head_l, -0.62 * b.head_h),
                                 {0.46 * b.head_w, 0.62 * b.head_l, 0.42 * b.head_h}));
      shapes.push_back(ellipsoid(headAxes(plan, i, side * 0.72 * b.head_w, -0.5 * b.head_l, 0.34 * b.head_h),
                                 {0.36 * b.head_w, 0.36 * b.head_l, 0.3 * b.head_h}));
    }
    Field f = joined(shapes, 2.0);
    if (i == 4) {
      const Vec3 root = axes.global(-4.5, 5, -1), tip = at(-49.5, -23.0, 9.5);
      f = joined({f, capsule(root, tip, 6.2, 3.6)}, 4.0);
    }
    parts.push_back(
        {metatarsal(static_cast<int>(i) + 1),
         boxAround({axes.global(0, -8, 0), axes.global(0, L + 4, 0)}, i == 4 ? 19 : 15),
         [f, plan, half, i](const Vec3& p) {
           const double along = plan.ray[i].local(p).y();
           // The styloid of the fifth reaches past its joint, lateral to the cuboid.
           const double clear = i == 4 ? 8.0 * ramp(-p.x(), 43.0, 48.0) : 0.0;
           double d = smoothMax(f(p), half - plan.tmt[i](p) - clear, 1.0);
           const double medial_gap = i == 1 ? 2.0 : 0.6, lateral_gap = 0.6;
           d = smoothMax(
               d, wallAt(plan.wall[i - 1], p, 1e-9 + 0 * along) + medial_gap - 0.35 * std::max(0.0, along - 20.0), 1.0);
           if (i < 4) d = smoothMax(d, lateral_gap - plan.wall[i](p) - 0.35 * std::max(0.0, along - 20.0), 1.0);
           return d;
         }});
  }
  return parts;
}

}  // namespace rayset::procedural
