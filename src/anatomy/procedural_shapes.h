// Implicit shapes that make up the procedural foot. Every function is negative inside, positive outside and nearly a
// distance in millimetres near the surface; only its zero level is used as a bone's surface.
#pragma once

#include <algorithm>
#include <cmath>
#include <functional>
#include <vector>

#include "geometry/types.h"

namespace rayset::procedural {

using Field = std::function<double(const Vec3&)>;

/// A point of a right foot in anatomical terms, medial, distal and height above the floor (mm), to LPS.
[[nodiscard]] inline Vec3 at(double medial, double distal, double height) { return {medial, -distal, height}; }

/// Union and intersection with a fillet that acts where the two differ by less than `k` (mm). k = 0: sharp.
[[nodiscard]] inline double smoothMin(double a, double b, double k) {
  const double h = std::max(k - std::abs(a - b), 0.0);
  return std::min(a, b) - (k > 0 ? h * h / (4 * k) : 0.0);
}
[[nodiscard]] inline double smoothMax(double a, double b, double k) { return -smoothMin(-a, -b, k); }
/// 0 below `a`, 1 above `b`, smooth between.
[[nodiscard]] inline double ramp(double x, double a, double b) {
  const double t = std::clamp((x - a) / (b - a), 0.0, 1.0);
  return t * t * (3 - 2 * t);
}

/// Right-handed axes of one bone or ray: dorsal = distal x medial.
struct Axes {
  Vec3 origin = Vec3::Zero();
  Vec3 medial = Vec3::UnitX(), distal = -Vec3::UnitY(), dorsal = Vec3::UnitZ();

  /// Components (medial, distal, dorsal) of a point.
  [[nodiscard]] Vec3 local(const Vec3& p) const {
    const Vec3 r = p - origin;
    return {r.dot(medial), r.dot(distal), r.dot(dorsal)};
  }
  [[nodiscard]] Vec3 global(double m, double d, double h) const {
    return origin + m * medial + d * distal + h * dorsal;
  }
};
/// Axes with `distal` along from -> to and `dorsal` upward, then rolled so that dorsal tips laterally by `roll`
/// (radians).
[[nodiscard]] Axes axesAlong(const Vec3& from, const Vec3& to, double roll);

/// One cross-section of a loft. Lengths in mm, in the plane across the axis, from the section's centre.
struct Station {
  double t;                                                 ///< position along the axis
  double centre_m = 0, centre_h = 0;                        ///< centre of the section off the axis (medial, dorsal)
  double medial = 5, lateral = 5, dorsal = 5, plantar = 5;  ///< half widths
  /// Exponent of the superellipse above and below the centre: 2 ellipse, 4 squarish.
  double square_d = 2, square_p = 2;
  double wedge = 0;  ///< widening towards dorsal: width times (1 + wedge * height/half height)
  double bend = 0;   ///< mid-height pushed medially by this much: convex medially, concave laterally (kidney)
};
/// A solid swept along a straight axis through smoothly interpolated sections; flat ends rounded by `cap` mm.
class Loft {
 public:
  Loft(const Axes& axes, std::vector<Station> stations, double cap = 1.0);
  [[nodiscard]] double operator()(const Vec3& p) const;

 private:
  Axes axes_;
  double first_, last_, cap_;
  double step_ = 0.25;
  std::vector<Station> table_;
};

/// Ellipsoid with half axes along `axes` (medial, distal, dorsal).
[[nodiscard]] Field ellipsoid(const Axes& axes, const Vec3& half);
/// Capsule from a to b whose radius goes from ra to rb.
[[nodiscard]] Field capsule(const Vec3& a, const Vec3& b, double ra, double rb);
/// Smooth union of shapes.
[[nodiscard]] Field joined(std::vector<Field> shapes, double k);
/// The first shape without the second.
[[nodiscard]] Field without(Field shape, Field cut, double k);

/// Gentle unevenness of a bone's surface: smooth waves of about 15 mm length and `amplitude` mm height, different for
/// each `phase`, plus waves of about 40 mm length and `broad` mm height, different for each `person`.
[[nodiscard]] Field uneven(Field shape, double amplitude, double phase, double broad, double person);

}  // namespace rayset::procedural
