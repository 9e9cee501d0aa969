// Talus, calcaneus, lower tibia and fibula.
#include "anatomy/procedural_parts.h"

namespace rayset::procedural {
namespace {

/// Subtalar joint, positive on the talus. Convex posterior facet; middle and anterior facets on the sustentaculum; the
/// canal between them is where `clear` is large.
double subtalar(const Vec3& p, double* clear) {
  const double m = p.x(), d = std::clamp(-p.y(), -95.0, -36.0);
  const double posterior = 44.0 - 0.0115 * (d + 88) * (d + 88);
  const double middle = 32.5 + (-62 - d) * 0.33;
  const double s = 0.78 * m + 0.62 * (d + 68);
  const double w = ramp(s, -5, 5);
  *clear = 2.2 * std::exp(-s * s / 18);
  return 0.87 * (p.z() - ((1 - w) * posterior + w * middle));
}

/// Trochlea: a cylinder across the ankle with a shallow groove, positive outside.
double trochlea(const Vec3& p) {
  const double m = std::clamp(p.x() + 1.0, -18.0, 18.0);
  const double radius = 20.4 + 0.9 * std::sin(m * m / 200.0);
  return std::hypot(-p.y() + 69.0, p.z() - 47.5) - radius;
}

}  // namespace

std::vector<Part> hindfootParts(const Layout& plan) {
  std::vector<Part> parts;
  {
    Axes body;
    body.origin = at(-1, -70, 47);
    const std::vector<Station> s{{-19, 0, 0, 9, 10, 16, 8, 2.6, 2.4, 0, 0},
                                 {-12, 0, 0, 12.5, 13, 24, 12, 3.0, 2.6, 0, 0},
                                 {0, 0, 0, 14.5, 15, 26, 14, 3.2, 2.6, 0, 0},
                                 {12, 0, 0, 15.5, 15.5, 24, 12, 3.0, 2.4, 0, 0},
                                 {18, 1, -2, 13, 13, 15, 10, 2.6, 2.4, 0, 0}};
    const Loft block(body, s, 3.0);
    const Field upper = [block](const Vec3& p) { return smoothMax(block(p), trochlea(p), 1.5); };
    const Field f = joined(
        {upper, ellipsoid(plan.talar_head, plan.talar_head_half), capsule(at(5, -49, 38.5), at(1, -63, 46), 11.5, 13.0),
         capsule(at(-12, -66, 43), at(-19.5, -65, 38), 8.0, 4.2), capsule(at(1, -82, 46), at(3, -91, 44.5), 6.5, 4.2)},
        3.0);
    parts.push_back({Bone::kTal, boxAround({at(-1, -62, 47)}, 36), [f](const Vec3& p) {
                       double clear = 0;
                       const double joint = subtalar(p, &clear);
                       return smoothMax(f(p), 0.8 + clear - joint, 1.5);
                     }});
  }
  {
    const Axes axes = axesAlong(at(-5, -112, 23), at(-23, -34, 24), 0.0);
    const std::vector<Station> s{
        {0, 0, -1, 10, 10, 15, 15, 2.4, 2.4, -0.05, 0},     {6, 0, 0, 14.0, 13.5, 20, 19.5, 2.4, 2.4, -0.08, 0},
        {18, 0, 0, 13.0, 12.5, 18, 18, 2.4, 2.3, 0.0, 0},   {30, 0, 0, 11.5, 12.0, 21, 14, 2.4, 2.3, 0.0, 0},
        {42, 0, 0, 12.0, 12.5, 24, 11.5, 2.4, 2.3, 0.1, 0}, {54, 0, 0, 11.5, 12.5, 18, 10.0, 2.4, 2.3, 0.1, 0},
        {66, 0, 0, 11.5, 12.0, 13, 9.5, 2.6, 2.3, 0.05, 0}, {84, 0, 0, 12.5, 12.5, 12, 10.5, 2.6, 2.4, 0, 0}};
    const Field f = joined({Loft(axes, s, 7.0), capsule(at(-8, -62, 30), at(13.0, -58.5, 28.5), 8.0, 4.6),
                            capsule(at(-12, -52, 26), at(-5, -42, 24.5), 7.0, 5.0),
                            ellipsoid({at(3, -104, 7.0), Vec3::UnitX(), -Vec3::UnitY(), Vec3::UnitZ()}, {7, 9, 5.5}),
                            ellipsoid({at(-11, -102, 8.0), Vec3::UnitX(), -Vec3::UnitY(), Vec3::UnitZ()}, {4.5, 7, 5})},
                           4.0);
    parts.push_back({Bone::kCal, boxAround({at(-8, -114, 23), at(-15, -36, 23)}, 30), [f, plan](const Vec3& p) {
                       double clear = 0;
                       const double joint = subtalar(p, &clear);
                       const double d = smoothMax(f(p), joint + 0.8 + clear, 1.5);
                       return smoothMax(d, plan.calcaneocuboid(p) + 0.75, 1.2);
                     }});
  }
  const double top = 68.0 + 45.0;  // cut 45 mm above the talus
  {
    Axes up;  // along the leg: "distal" of the loft is upwards, its "dorsal" is the back of the leg
    up.origin = at(0, -69, 0);
    up.medial = Vec3::UnitX();
    up.distal = Vec3::UnitZ();
    up.dorsal = Vec3::UnitY();
    const std::vector<Station> s{{58, 0, 0, 20, 17, 19, 19, 2.6, 2.6, 0, 0},
                                 {70, 0, 0, 21, 18, 19, 19, 2.6, 2.6, 0, 0},
                                 {80, 1, 0, 19, 17, 17, 17, 2.4, 2.4, 0, 0},
                                 {95, 1, 0, 14.5, 14, 13.5, 14.5, 2.3, 2.3, 0, 0},
                                 {top + 4, 1, 0, 12, 12, 11.5, 13, 2.3, 2.2, 0, 0}};
    const Field plafond = [f = Loft(up, s, 1.0)](const Vec3& p) {
      return smoothMax(f(p), 66.0 - 0.0 - p.z() + 0.0 * p.x(), 2.0);
    };
    const Field f = joined({plafond, capsule(at(19.5, -66, 74), at(19.5, -63.5, 57), 8.5, 5.0)}, 5.0);
    parts.push_back({Bone::kTibia, boxAround({at(0, -69, 60), at(0, -69, top - 24)}, 28), [f, top](const Vec3& p) {
                       const double d = smoothMax(f(p), 1.5 - trochlea(p), 1.5);
                       return smoothMax(d, p.z() - top, 0.5);
                     }});
  }
  {
    Axes up;
    up.origin = at(-22.5, -75, 0);
    up.medial = Vec3::UnitX();
    up.distal = Vec3::UnitZ();
    up.dorsal = Vec3::UnitY();
    const std::vector<Station> s{
        {42, 0, 1, 2, 2, 3, 3, 2.2, 2.2, 0, 0},       {46, 0, 0, 4.5, 4.5, 6, 6, 2.2, 2.2, 0, 0},
        {56, 0, 0, 6.8, 6.5, 10, 10, 2.2, 2.2, 0, 0}, {70, 0, 0, 7, 7, 9.5, 9.5, 2.2, 2.2, 0, 0},
        {85, 0.5, 0, 6, 6, 7, 7, 2.2, 2.2, 0, 0},     {top + 4, 1, 0, 6, 6, 6.5, 6.5, 2.2, 2.2, 0, 0}};
    const Loft f(up, s, 3.0);
    parts.push_back({Bone::kFibula, boxAround({at(-22, -75, 46), at(-22, -75, top - 10)}, 16),
                     [f, top](const Vec3& p) { return smoothMax(f(p), p.z() - top, 0.5); }});
  }
  return parts;
}

}  // namespace rayset::procedural
