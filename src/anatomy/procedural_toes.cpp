// Phalanges of the five toes and the two sesamoids under the first head.
#include "anatomy/procedural_parts.h"

namespace rayset::procedural {

std::vector<Part> toeParts(const Layout& plan) {
  std::vector<Part> parts;
  // Half sizes of base, waist and head of each phalanx; lengths after Jadhav-type radiographic tables (PMC5713710:
  // first proximal 28.0 mm in men; the rest from memory).
  struct Phalanx {
    double length, base_w, base_h, waist_w, waist_h, head_w, head_h;
    double pitch;  // radians above the horizontal
  };
  const std::array<std::vector<Phalanx>, 5> toes{{
      {{29, 8.8, 7.6, 5.6, 4.6, 7.2, 4.8, 0.20}, {21, 7.6, 5.2, 4.4, 3.4, 5.4, 2.8, -0.05}},
      {{25, 5.4, 5.2, 2.9, 3.0, 3.8, 3.2, 0.30},
       {12.5, 4.0, 3.4, 2.8, 2.4, 3.6, 2.5, -0.25},
       {8.5, 3.6, 2.6, 2.0, 1.8, 2.6, 1.6, -0.55}},
      {{23.5, 5.1, 4.9, 2.7, 2.8, 3.6, 3.0, 0.28},
       {11, 3.8, 3.2, 2.7, 2.3, 3.4, 2.4, -0.3},
       {8, 3.4, 2.5, 1.9, 1.7, 2.5, 1.6, -0.6}},
      {{21.5, 4.9, 4.7, 2.6, 2.7, 3.5, 2.9, 0.25},
       {9, 3.7, 3.1, 2.7, 2.3, 3.3, 2.3, -0.3},
       {7.5, 3.3, 2.4, 1.9, 1.7, 2.4, 1.5, -0.6}},
      {{19.5, 4.8, 4.5, 2.8, 2.6, 3.5, 2.8, 0.2},
       {7.5, 3.6, 3.0, 2.8, 2.4, 3.2, 2.2, -0.3},
       {7, 3.2, 2.3, 2.0, 1.7, 2.3, 1.5, -0.5}},
  }};
  constexpr std::array<double, 5> kHeadLength{9.8, 7.4, 7.0, 6.8, 6.4};
  constexpr std::array<double, 5> kToeGap{1.6, 1.3, 1.3, 1.3, 1.3};
  for (std::size_t i = 0; i < 5; ++i) {
    // The great toe points slightly lateral of its ray, the others along it.
    Vec3 flat = plan.ray[i].distal;
    flat.z() = 0;
    flat.normalize();
    const double turn = i == 0 ? plan.shape.hallux_valgus_rad * 1.3 : (i == 4 ? -0.12 : -0.03 * static_cast<double>(i));
    flat = Eigen::AngleAxisd(-turn, Vec3::UnitZ()) * flat;
    Vec3 start = plan.ray[i].global(0, plan.length[i], i == 0 ? 0.5 : 1.0);
    const Field hollow = metatarsalHead(plan, i, kToeGap[i] - 0.0);
    double skip = kHeadLength[i] - 0.5;  // the base reaches around the head and is hollowed for it
    bool first = true;
    for (const Phalanx& b : toes[i]) {
      const Vec3 along = (flat * std::cos(b.pitch) + Vec3::UnitZ() * std::sin(b.pitch)).normalized();
      start += along * skip;
      const Axes axes = axesAlong(start, start + along, 0.0);
      const double L = b.length;
      const bool last = &b == &toes[i].back();
      // The last phalanx ends in a flat tuft, the others in a trochlea.
      const double tip_w = last ? 1.15 : 1.0, tip_h = last ? 0.8 : 1.0;
      const std::vector<Station> s{
          {-1.5, 0, 0, b.base_w * 0.9, b.base_w * 0.9, b.base_h * 0.9, b.base_h * 0.95, 2.3, 2.3, 0, 0},
          {0.1 * L, 0, 0, b.base_w, b.base_w, b.base_h, b.base_h, 2.3, 2.3, 0, 0},
          {0.3 * L, 0, 0.3, 0.6 * b.base_w + 0.4 * b.waist_w, 0.6 * b.base_w + 0.4 * b.waist_w,
           0.5 * (b.base_h + b.waist_h), 0.4 * b.base_h + 0.5 * b.waist_h, 2.2, 2.5, 0, 0},
          {0.58 * L, 0, 0.4, b.waist_w, b.waist_w, b.waist_h, b.waist_h * 0.8, 2.2, 2.6, 0, 0},
          {0.86 * L, 0, -0.2, b.head_w * tip_w, b.head_w * tip_w, b.head_h * tip_h, b.head_h * tip_h, 2.2, 2.4, 0, 0},
          {L, 0, -0.4, b.head_w * 0.9, b.head_w * 0.9, b.head_h * 0.85, b.head_h * 0.85, 2.2, 2.2, 0, 0}};
      const Loft bone(axes, s, std::min(5.0, 1.8 * b.head_h));
      const Box box = boxAround({axes.origin, axes.global(0, L, 0)}, std::max(b.base_w, b.base_h) + 3);
      if (first) {
        parts.push_back(
            {Bone::kToes, box, [bone, hollow](const Vec3& p) { return smoothMax(bone(p), -hollow(p), 1.5); }});
      } else {
        parts.push_back({Bone::kToes, box, bone});
      }
      first = false;
      start = axes.global(0, L, 0);
      skip = 2.2;
    }
  }
  const Axes head = plan.ray[0];
  for (double m : {-5.6, 5.2}) {
    Axes axes = head;
    axes.origin = head.global(m, plan.length[0] - 3.5, -13.2);
    parts.push_back(
        {Bone::kSesamoids, boxAround({axes.origin}, 10), ellipsoid(axes, {m > 0 ? 4.6 : 4.2, m > 0 ? 6.6 : 5.8, 3.9})});
  }
  return parts;
}

}  // namespace rayset::procedural
