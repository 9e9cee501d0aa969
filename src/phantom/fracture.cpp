#include "phantom/fracture.h"

#include <algorithm>
#include <cmath>
#include <functional>

#include "geometry/distance_field.h"

namespace rayset {
namespace {

constexpr double kVoxelMm = 0.35;
constexpr double kLeastVolume = 60, kLeastFleck = 15;  // mm^3

/// Waves of the break, mm: a sum of sines that never repeats within the bone; smooth enough for the mesh's grid.
double roughness(const Vec3& q) {
  return 0.22 * std::sin(1.9 * q.x() + 0.7 * q.y()) + 0.18 * std::sin(2.3 * q.y() - 1.1 * q.z() + 1.0) +
         0.15 * std::sin(2.7 * q.z() + 1.6 * q.x() + 2.0);
}

/// The larger of two, with the corner rounded to a radius that the grid can carry: both sides of a break are cut from
/// the same function, so a corner that only one side could follow would make them overlap.
double roundedMax(double a, double b) {
  constexpr double kRound = 1.2;  // mm
  const double h = std::max(0.0, kRound - std::abs(a - b)) / kRound;
  return std::max(a, b) + h * h * kRound / 4;
}

/// The part of the bone where `cut` is negative, as a closed surface; the largest piece if it falls apart.
Surface cutPart(const DistanceField& bone, const std::function<double(const Vec3&)>& cut) {
  std::vector<float> values = bone.values();
  const Eigen::Vector3i size = bone.size();
  std::size_t n = 0;
  for (int k = 0; k < size.z(); ++k)
    for (int j = 0; j < size.y(); ++j)
      for (int i = 0; i < size.x(); ++i, ++n) {
        const Vec3 p = bone.box().min() + bone.voxel() * Vec3(i, j, k);
        const double side = std::clamp(cut(p), -bone.band(), bone.band());
        values[n] = std::max(values[n], static_cast<float>(side));
      }
  const Surface all = isosurface(values, size, bone.box().min(), Vec3::Constant(bone.voxel()), 0);
  if (all.empty()) return all;
  return pieces(all).front();
}

}  // namespace

Result<BrokenBase> breakSecondBase(const Surface& m2, const MetatarsalAxis& axis, const Frame& frame, BaseFragment kind,
                                   double fleck_mm3) {
  const Vec3 d = axis.distal;
  const Vec3 m = (frame.medial - frame.medial.dot(d) * d).normalized();
  const Vec3 u = (frame.dorsal - frame.dorsal.dot(d) * d - frame.dorsal.dot(m) * m).normalized();
  // Own coordinates of the base: x medial, y distal from the joint, z dorsal; origin in the middle of the joint face.
  const Vec3 o = axis.base_centre;
  const auto local = [&](const Vec3& p) { return Vec3((p - o).dot(m), (p - o).dot(d), (p - o).dot(u)); };
  const auto world = [&](const Vec3& v) { return Vec3(v.x() * m + v.y() * d + v.z() * u); };

  struct Cut {
    std::function<double(const Vec3&)> outside;  // local; negative inside the fragment
    Vec3 away;                                   // local
  };
  std::vector<Cut> cuts;
  switch (kind) {
    case BaseFragment::kNone:
    case BaseFragment::kFleck:  // cut to size below
      break;
    case BaseFragment::kShear: {
      const Vec3 n = Vec3(0.72, -0.45, -0.53).normalized();  // medial, proximal, plantar
      cuts.push_back({[n](const Vec3& q) { return -(q - Vec3(0.5, 2.0, -1.0)).dot(n) + roughness(q); }, n});
      break;
    }
    case BaseFragment::kButterfly: {
      // A wedge of 80 degrees that opens dorsally, its edge a little below the middle of the bone.
      const Vec3 edge(0, 11, -2.0);
      const double c = std::cos(0.698), s = std::sin(0.698);
      const Vec3 distal_face(0, c, -s), proximal_face(0, -c, -s);  // outward normals of the wedge
      cuts.push_back({[=](const Vec3& q) {
                        return roundedMax((q - edge).dot(distal_face), (q - edge).dot(proximal_face)) + roughness(q);
                      },
                      Vec3::UnitZ()});
      break;
    }
    case BaseFragment::kY: {
      // The arms branch off 4.5 mm from the joint and run distally and outward.
      const Vec3 fork(0, 4.5, 0);
      const Vec3 medial_arm = Vec3(-0.64, 0.77, 0).normalized(), lateral_arm = Vec3(0.64, 0.77, 0).normalized();
      cuts.push_back({[=](const Vec3& q) {
                        return roundedMax((q - fork).dot(medial_arm) + roughness(q), -q.x() + 0.8 * roughness(q));
                      },
                      Vec3(0.8, -0.6, 0)});
      cuts.push_back({[=](const Vec3& q) {
                        return roundedMax((q - fork).dot(lateral_arm) + roughness(q), q.x() - 0.8 * roughness(q));
                      },
                      Vec3(-0.8, -0.6, 0)});
      break;
    }
  }
  const DistanceField field(m2, kVoxelMm, 3.0);
  if (kind == BaseFragment::kFleck) {
    const Vec3 n = Vec3(0.80, -0.40, -0.45).normalized();  // medial, proximal, plantar
    const auto beyond = [n](double depth) {
      return [n, depth](const Vec3& q) { return depth - q.dot(n) + 0.5 * roughness(q); };
    };
    double low = -10, high = 30;  // the deeper the plane lies inside, the larger the piece
    for (int step = 0; step < 16; ++step) {
      const double middle = 0.5 * (low + high);
      const auto cut = beyond(middle);
      const Surface piece = cutPart(field, [&](const Vec3& p) { return cut(local(p)); });
      (!piece.empty() && volume(piece) > fleck_mm3 ? low : high) = middle;
    }
    cuts.push_back({beyond(0.5 * (low + high)), n});
  }
  BrokenBase out;
  out.main = cutPart(field, [&](const Vec3& p) {
    double inside = -1e9;  // outside of every fragment
    for (const Cut& cut : cuts) inside = std::max(inside, -cut.outside(local(p)));
    return inside;
  });
  for (const Cut& cut : cuts) {
    BrokenPiece piece;
    piece.surface = cutPart(field, [&](const Vec3& p) { return cut.outside(local(p)); });
    piece.away = world(cut.away).normalized();
    if (piece.surface.empty() || volume(piece.surface) < (kind == BaseFragment::kFleck ? kLeastFleck : kLeastVolume))
      return fail(Fault::kInternal, "phantom.break_leaves_no_fragment_worth_name", "M2",
                  Message("phantom.choose_another_kind_fragment"));
    out.fragments.push_back(std::move(piece));
  }
  if (out.main.empty() || volume(out.main) < 0.5 * volume(m2))
    return fail(Fault::kInternal, "phantom.break_leaves_too_little_second_metatarsal", "M2",
                Message("phantom.choose_another_kind_fragment"));
  return out;
}

}  // namespace rayset
