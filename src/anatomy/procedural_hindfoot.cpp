// Talus, calcaneus, lower tibia and fibula.
#include "anatomy/procedural_parts.h"

namespace rayset::procedural {
namespace {

/// Subtalar joint as a height over the floor, and as a sheet, positive on the talus: convex posterior facet, middle
/// facet on the sustentaculum. `clear` is the distance each bone keeps from the sheet beyond the cartilage: the canal
/// between the facets, and nothing to carve over the anterior process (negative there).
double subtalarHeight(double m, double d) {
  const double posterior = 44.5 - 0.0118 * (d + 88) * (d + 88);
  const double middle = 36.0 + (-62 - d) * 0.33;
  const double w = ramp(0.78 * m + 0.62 * (d + 68), -5, 5);
  return (1 - w) * posterior + w * middle;
}
double subtalar(const Vec3& p, double* clear) {
  const double m = p.x(), d = std::clamp(-p.y(), -95.0, -36.0);
  const double s = 0.78 * m + 0.62 * (d + 68);
  *clear = 1.6 * std::exp(-s * s / 14) - 25.0 * ramp(d, -60, -50) * ramp(-m, -2, 7);
  const double height = subtalarHeight(m, d);
  const double along_m = (subtalarHeight(m + 0.5, d) - height) / 0.5,
               along_d = (subtalarHeight(m, d + 0.5) - height) / 0.5;
  return (p.z() - height) / std::sqrt(1 + along_m * along_m + along_d * along_d);
}

/// Trochlea: a cylinder across the ankle with a shallow groove, positive outside.
double trochlea(const Vec3& p) {
  const double m = std::clamp(p.x() + 1.0, -18.0, 18.0);
  const double radius = 20.2 + 1.0 * (m * m / 225.0);
  return std::hypot(-p.y() + 69.0, p.z() - 47.5) - radius;
}

}  // namespace

std::vector<Part> hindfootParts(const Layout& plan) {
  std::vector<Part> parts;
  {
    Axes body;
    body.origin = at(-1, -70, 47);
    // Wider in front than behind, sides nearly upright; the sections reach above the trochlea, which trims them.
    const std::vector<Station> s{
        {-20, 1, 0, 9, 9, 30, 8, 2.6, 2.2, 0, 0},          {-13, 0.5, 0, 12.2, 12.6, 36, 12, 3.2, 2.4, 0, 0},
        {0, 0, 0, 13.8, 14.6, 38, 15, 3.4, 2.4, 0, 0},     {10, 0, 0, 14.6, 15.4, 36, 13, 3.2, 2.4, 0, 0},
        {17, 0.5, -1, 13.6, 13.6, 26, 11, 2.8, 2.3, 0, 0}, {22, 1.0, -2, 12.0, 12.0, 14, 9, 2.4, 2.2, 0, 0}};
    // The trochlea and the head stay exact because they articulate; the rest has an uneven surface.
    const Field block = plan.surfaced(Loft(body, s, 3.0), 0.15, 10.2);
    const Field upper = [block](const Vec3& p) { return smoothMax(block(p), trochlea(p), 2.0); };
    const Field neck = plan.surfaced(capsule(at(5.2, -50.1, 43.5), at(0.5, -63, 46), 12.0, 13.0), 0.15, 10.9);
    const Field processes = plan.surfaced(joined({capsule(at(-8, -67, 51), at(-19.0, -63.5, 40.0), 9.5, 5.0),
                                                  capsule(at(-8, -72, 48), at(-18.0, -64.5, 41.0), 9.0, 5.0),
                                                  capsule(at(0.0, -79, 48), at(2, -86, 46.5), 8.5, 5.5)},
                                                 4.0),
                                          0.15, 11.6);
    const Field front = joined({ellipsoid(plan.talar_head, plan.talar_head_half), neck}, 5.0);
    const Field f = joined({upper, front, processes}, 4.0);
    parts.push_back({Bone::kTal, boxAround({at(-1, -62, 47)}, 36), [f](const Vec3& p) {
                       double clear = 0;
                       const double joint = subtalar(p, &clear);
                       return smoothMax(f(p), 0.72 + clear - joint, 2.0);
                     }});
  }
  {
    const Axes axes = axesAlong(at(-4, -110.5, 22), at(-23, -34, 26), 0.0);
    const std::vector<Station> s{
        {-2, 0, 0, 11, 10, 15, 15, 2.3, 2.2, -0.05, 0},         {7, 0, 0, 15.0, 14.5, 20, 20.5, 2.4, 2.3, -0.12, 0},
        {19, 0, 0, 14.2, 13.8, 18.5, 18.5, 2.4, 2.2, -0.06, 0}, {31, 0, 0, 13.0, 13.5, 21, 15.5, 2.4, 2.2, 0.0, 0},
        {42, 0, 0, 13.5, 14.0, 25, 13.5, 2.4, 2.2, 0.08, 0},    {51, 0, 0, 13.0, 14.0, 15, 12.0, 2.4, 2.2, 0.1, 0},
        {58, 0, 0, 12.0, 12.5, 10.5, 11.5, 2.5, 2.2, 0.08, 0},  {70, 0, 0, 11.8, 11.8, 12.5, 11.5, 2.5, 2.3, 0.05, 0},
        {86, 0, 0, 13.0, 12.5, 12.5, 11.5, 2.6, 2.4, 0, 0}};
    Axes level;
    level.origin = at(2.0, -58.5, 30.5);
    Axes medial_process = level, lateral_process = level;
    medial_process.origin = at(2, -101, 6.5);
    lateral_process.origin = at(-11.5, -99, 6.5);
    const Field f =
        plan.surfaced(joined({Loft(axes, s, 8.0), ellipsoid(level, {14.5, 12.5, 7.6}),
                              ellipsoid(medial_process, {7, 9, 5.5}), ellipsoid(lateral_process, {5, 7.5, 5})},
                             6.0),
                      0.25, 11.4);
    parts.push_back({Bone::kCal, boxAround({at(-8, -114, 23), at(-15, -36, 23)}, 30), [f, plan](const Vec3& p) {
                       double clear = 0;
                       const double joint = subtalar(p, &clear);
                       const double d = smoothMax(f(p), joint + 0.72 + clear, 2.0);
                       return smoothMax(d, plan.calcaneocuboid(p) + 0.75, 2.0);
                     }});
  }
  const double top = 68.0 + 45.0;  // cut 45 mm above the talus
  Axes up;  // along the leg: "distal" of the loft is upwards, its "dorsal" is the back of the leg
  up.medial = Vec3::UnitX();
  up.distal = Vec3::UnitZ();
  up.dorsal = Vec3::UnitY();
  {
    up.origin = at(0, -69, 0);
    const std::vector<Station> s{{56, 1, 0, 19, 17, 18, 17, 2.6, 2.6, 0, 0},
                                 {70, 1, 0, 20, 17.5, 18.5, 18, 2.6, 2.6, 0, 0},
                                 {79, 1, 0, 19, 17, 17.5, 17.5, 2.4, 2.4, 0, 0},
                                 {95, 1, 0, 15.5, 15, 14.5, 15.5, 2.3, 2.3, 0, 0},
                                 {top + 4, 1, 0, 13, 13, 12.5, 14, 2.3, 2.2, 0, 0}};
    const Field plafond = [f = Loft(up, s, 1.0)](const Vec3& p) { return smoothMax(f(p), 62.0 - p.z(), 2.0); };
    const Field f = plan.surfaced(
        joined({plafond,
                ellipsoid({at(20.0, -65.5, 64.5), Vec3::UnitX(), -Vec3::UnitY(), Vec3::UnitZ()}, {5.6, 10.5, 14.5})},
               5.0),
        0.2, 12.1);
    parts.push_back({Bone::kTibia, boxAround({at(0, -69, 60), at(0, -69, top - 24)}, 28), [f, top](const Vec3& p) {
                       const double d =
                           smoothMax(f(p), 1.5 - smoothMax(trochlea(p), std::abs(p.x() + 0.8) - 13.1, 2.0), 2.0);
                       return smoothMax(d, p.z() - top, 0.5);
                     }});
  }
  {
    up.origin = at(-22.5, -75, 0);
    const std::vector<Station> s{
        {41, 0, 1, 2, 2, 3, 3, 2.2, 2.2, 0, 0},         {45, 0, 0, 4.2, 4.5, 6, 6, 2.2, 2.2, 0, 0},
        {55, 0, 0, 6.4, 6.5, 10, 9, 2.2, 2.2, 0, 0},    {68, 0, 0, 6.8, 7, 10, 9.5, 2.2, 2.2, 0, 0},
        {85, 0.5, 0, 6, 6.2, 7.2, 7.2, 2.2, 2.2, 0, 0}, {top + 4, 1, 0, 6, 6, 6.5, 6.5, 2.2, 2.2, 0, 0}};
    const Field f = plan.surfaced(Loft(up, s, 3.0), 0.2, 13.0);
    parts.push_back({Bone::kFibula, boxAround({at(-22, -75, 46), at(-22, -75, top - 10)}, 16),
                     [f, top](const Vec3& p) { return smoothMax(f(p), p.z() - top, 0.5); }});
  }
  return parts;
}

}  // namespace rayset::procedural
