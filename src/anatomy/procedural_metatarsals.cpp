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

/// How far the wall between columns releases a metatarsal: the bases lie against each other, the shafts diverge freely.
double released(double along) { return 0.35 * std::max(0.0, along - 20.0); }

/// Half widths of one of the lesser metatarsals: base (across, dorsal, plantar), shaft, head (across, along, up).
struct Lesser {
  double base_w, base_d, base_p, wedge, shaft_w, shaft_h, head_w, head_l, head_h;
};

}  // namespace

Field metatarsalHead(const Layout& plan, std::size_t i, double grown) {
  constexpr double kHalf[5][3] = {{10.5, 9.8, 9.6}, {5.4, 7.4, 7.7}, {5.1, 7.0, 7.2}, {4.9, 6.8, 6.8}, {5.1, 6.4, 6.2}};
  return ellipsoid(headAxes(plan, i), Vec3(kHalf[i][0], kHalf[i][1], kHalf[i][2]) + Vec3::Constant(grown));
}

std::vector<Part> metatarsalParts(const Layout& plan) {
  std::vector<Part> parts;
  const double half = plan.gap / 2, g = plan.shape.girth, bow = plan.shape.shaft_bow;
  {  // First: thick and short; the base kidney-shaped, about 30 mm tall and 18 wide.
    const Axes axes = plan.ray[0];
    const double L = plan.length[0];
    const std::vector<Station> s{{-7, -1.1, 0, 4.6, 12.2, 14.8, 15.2, 2.8, 2.8, 0.02, 6.2},
                                 {4, -1.1, 0, 4.9, 12.0, 14.4, 14.8, 2.7, 2.7, 0.02, 5.7},
                                 {9, -0.4, 0, 6.4, 9.6, 12.2, 13.6, 2.4, 2.4, 0.02, 3.0},
                                 {17, 0, 0.4 * bow, 7.0, 7.7, 9.6, 10.8, 2.3, 2.1, 0.04, 1.2},
                                 {0.55 * L, 0, 0.9 * bow, 6.8 * g, 6.5 * g, 7.0 * g, 8.0 * g, 2.3, 2.0, 0.06, 0.2},
                                 {0.7 * L, 0, 0.8 * bow, 7.1 * g, 6.9 * g, 6.8 * g, 7.6 * g, 2.4, 2.2, 0.05, 0},
                                 {0.86 * L, 0, 0.2 * bow, 9.0, 8.8, 7.8, 7.6, 2.4, 2.4, 0.05, 0},
                                 {1.0 * L, 0, 0, 10.4, 10.2, 9.0, 8.4, 2.4, 2.4, 0, 0}};
    Field f = joined(
        {Loft(axes, s, 3.0), metatarsalHead(plan, 0), ellipsoid(headAxes(plan, 0, 5.4, -2, -4.4), {4.8, 7.5, 6.0}),
         ellipsoid(headAxes(plan, 0, -5.4, -2, -4.4), {4.8, 7.5, 6.0}),
         ellipsoid(headAxes(plan, 0, 8.3, -4.5, 2.5), {3.2, 4.5, 4.0}),
         ellipsoid(headAxes(plan, 0, -8.0, -4.5, 2.5), {3.0, 4.2, 4.0}),
         // plantar lateral tubercle of the base (peroneus longus)
         ellipsoid({axes.global(-3.5, 5, -11.0), axes.medial, axes.distal, axes.dorsal}, {3.6, 5.0, 4.0})},
        3.5);
    // Grooves of the sesamoids either side of the crista.
    for (double m : {-5.6, 5.2}) {
      const Axes h = headAxes(plan, 0);
      f = without(f, capsule(h.global(m, -12, -14.6), h.global(m, 8, -14.2), 5.6, 5.6), 2.5);
    }
    f = plan.surfaced(f, 0.12, 0.3);
    parts.push_back(
        {Bone::kM1, boxAround({axes.global(0, -4, 0), axes.global(0, L + 6, 0)}, 18), [f, plan, half](const Vec3& p) {
           const double d = smoothMax(f(p), half - plan.tmt[0](p), 2.2);
           return smoothMax(d, 0.6 - plan.wall[0](p) - released(plan.ray[0].local(p).y()), 2.0);
         }});
  }
  const std::array<Lesser, 4> lesser{{{8.8, 10.8, 12.0, 0.24, 4.0, 4.3, 5.4, 7.4, 7.7},
                                      {9.0, 10.0, 11.6, 0.14, 3.7, 4.2, 5.1, 7.0, 7.2},
                                      {11.0, 8.8, 9.2, 0.08, 3.6, 4.0, 4.9, 6.8, 6.8},
                                      {10.4, 6.6, 7.6, 0.05, 4.8, 4.7, 5.1, 6.4, 6.2}}};
  for (std::size_t i = 1; i < 5; ++i) {
    const Lesser& b = lesser[i - 1];
    const Axes axes = plan.ray[i];
    const double L = plan.length[i];
    const double sw = b.shaft_w * g, sh = b.shaft_h * g;
    auto between = [](double x, double y, double w) { return (1 - w) * x + w * y; };
    std::vector<Station> s{{-9, 0, 0, b.base_w, b.base_w, b.base_d, b.base_p, 2.8, 2.4, b.wedge, 0},
                           {3, 0, 0, b.base_w, b.base_w, b.base_d, b.base_p, 2.8, 2.4, b.wedge, 0}};
    for (auto [t, w] : {std::pair{8.0, 0.06}, std::pair{13.0, 0.22}, std::pair{19.0, 0.64}, std::pair{27.0, 0.92}}) {
      s.push_back({t * L / 67.0, 0, 0.4 * w * bow, between(b.base_w, sw, w), between(b.base_w, sw, w),
                   between(b.base_d, sh, w), between(b.base_p, sh * 1.1, w), between(2.7, 2.3, w), between(2.4, 2.0, w),
                   between(b.wedge, 0.12, w), 0});
    }
    s.push_back({0.55 * L, 0, 1.5 * bow, sw, sw, sh, sh * 1.1, 2.3, 2.0, 0.12, 0});
    s.push_back({0.76 * L, 0, 1.2 * bow, sw * 0.98, sw * 0.98, sh * 1.04, sh * 1.1, 2.2, 2.0, 0.06, 0});
    s.push_back({0.9 * L, 0, 0.5 * bow, sw * 1.08, sw * 1.08, 0.64 * b.head_h, 0.66 * b.head_h, 2.2, 2.2, 0, 0});
    s.push_back({L, 0, 0, 0.82 * b.head_w, 0.82 * b.head_w, 0.78 * b.head_h, 0.8 * b.head_h, 2.2, 2.2, 0, 0});
    std::vector<Field> shapes{Loft(axes, s, 2.0), metatarsalHead(plan, i)};
    for (double side : {-1.0, 1.0}) {
      // Plantar condyles, and the collateral tubercles behind the head.
      shapes.push_back(ellipsoid(headAxes(plan, i, side * 0.5 * b.head_w, -0.25 * b.head_l, -0.6 * b.head_h),
                                 {0.48 * b.head_w, 0.66 * b.head_l, 0.46 * b.head_h}));
      shapes.push_back(ellipsoid(headAxes(plan, i, side * 0.74 * b.head_w, -0.5 * b.head_l, 0.34 * b.head_h),
                                 {0.34 * b.head_w, 0.4 * b.head_l, 0.3 * b.head_h}));
    }
    Field f = joined(shapes, 2.5);
    if (i == 4) {  // the styloid: broad root, tip proximal, lateral and plantar
      const Vec3 root = axes.global(-3.0, 9, -0.5), tip = at(-48.0, -22.0, 12.5);
      f = joined({f, capsule(root, tip, 6.4, 5.2)}, 6.0);
    }
    f = plan.surfaced(f, 0.1, static_cast<double>(i));
    parts.push_back(
        {metatarsal(kRays[i]), boxAround({axes.global(0, -8, 0), axes.global(0, L + 4, 0)}, i == 4 ? 20 : 15),
         [f, plan, half, i](const Vec3& p) {
           const double free = released(plan.ray[i].local(p).y());
           // The styloid of the fifth reaches past its joint, lateral to the cuboid.
           const double clear = i == 4 ? 9.0 * ramp(-p.x(), 43.2, 47.5) : 0.0;
           double d = smoothMax(f(p), half - plan.tmt[i](p) - clear, 1.5);
           d = smoothMax(d, plan.wall[i - 1](p) + (i == 1 ? 2.0 - 1.2 * ramp(plan.tmt[0](p), -2, 4) : 0.6) - free, 1.8);
           if (i < 4) d = smoothMax(d, 0.6 - plan.wall[i](p) - free, 1.8);
           return d;
         }});
  }
  return parts;
}

}  // namespace rayset::procedural
