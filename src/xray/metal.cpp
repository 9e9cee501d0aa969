#include "xray/metal.h"

#include <tbb/parallel_for.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <stdexcept>

#include "base/wide.h"
#include "fixation/device_outline.h"

namespace rayset {

ProfilePiece cylinderPiece(double from, double to, double radius) { return {from, to, radius * radius, 0, 0}; }

ProfilePiece conePiece(double from, double to, double radius_from, double radius_to) {
  const double slope = (radius_to - radius_from) / (to - from), zero = radius_from - slope * from;
  return {from, to, zero * zero, 2 * zero * slope, slope * slope};
}

ProfilePiece spherePiece(double from, double to, double centre, double radius) {
  return {from, to, radius * radius - centre * centre, 2 * centre, -1};
}

MetalSolid metalSolid(const Device& device, const Catalogue& catalogue) {
  using Shape = OutlineStretch::Shape;
  MetalSolid solid;
  solid.origin = device.entry;
  solid.axis = device.direction;
  for (const OutlineStretch& s : deviceOutline(device, catalogue.find(device.type))) {
    switch (s.shape) {
      case Shape::kCylinder:
        solid.pieces.push_back(cylinderPiece(s.from, s.to, s.begin.round));
        break;
      case Shape::kCone:
        solid.pieces.push_back(conePiece(s.from, s.to, s.begin.round, s.end.round));
        break;
      case Shape::kBall:
        solid.pieces.push_back(spherePiece(s.from, s.to, s.from, s.begin.round));
        break;
    }
  }
  return solid;
}

const ProfilePiece* shaftOf(const MetalSolid& solid) {
  const auto length = [](const ProfilePiece& p) { return p.b == 0 && p.c == 0 ? p.to - p.from : -1.0; };
  const auto longest = std::ranges::max_element(solid.pieces, {}, length);
  return longest == solid.pieces.end() || length(*longest) < 0 ? nullptr : &*longest;
}

MetalSolid lengthened(const MetalSolid& solid, double mm) {
  MetalSolid out = solid;
  const ProfilePiece* shaft = shaftOf(solid);
  if (shaft == nullptr) return out;
  constexpr double kLeastShaftMm = 1;
  mm = std::max(mm, std::min(0.0, kLeastShaftMm - (shaft->to - shaft->from)));
  out.pieces[static_cast<std::size_t>(shaft - solid.pieces.data())].to += mm;
  for (ProfilePiece& p : out.pieces) {
    if (p.from < shaft->to) continue;
    p.from += mm;
    p.to += mm;
    p.a += -p.b * mm + p.c * mm * mm;  // the radius at s is what it was at s - mm
    p.b -= 2 * p.c * mm;
  }
  return out;
}

MetalSolid transformed(const MetalSolid& solid, const Rigid& X) {
  MetalSolid moved = solid;
  moved.origin = X * solid.origin;
  moved.axis = X.linear() * solid.axis;
  return moved;
}

namespace {

/// A line in the solid's frame: s along the axis, rho2 the squared distance from it, both in t along the line.
struct Line {
  double s0, s1;      // s = s0 + s1 t
  double r0, r1, r2;  // rho2 = r0 + 2 r1 t + r2 t^2
};

constexpr double kFlat = 1e-12;  // less counts as zero: for a line along its axis, or across it

/// The chord of a line along a cylinder's axis, along a cone's side or steeper, in units of its t: where rho2 less the
/// profile's square, A t^2 + 2 B t + C, does not bend upwards (A <= kFlat).
double steepChord(const ProfilePiece& p, const Line& l) {
  // Between the end planes.
  double begin = -1e300, end = 1e300;
  if (std::abs(l.s1) < kFlat) {
    if (l.s0 < p.from || l.s0 > p.to) return 0;
  } else {
    const double t0 = (p.from - l.s0) / l.s1, t1 = (p.to - l.s0) / l.s1;
    begin = std::min(t0, t1);
    end = std::max(t0, t1);
  }
  const double A = l.r2 - p.c * l.s1 * l.s1;
  const double B = l.r1 - 0.5 * p.b * l.s1 - p.c * l.s0 * l.s1;
  const double C = l.r0 - p.a - p.b * l.s0 - p.c * l.s0 * l.s0;
  const auto within = [&](double from, double to) { return std::max(0.0, std::min(to, end) - std::max(from, begin)); };
  if (A > -kFlat) {  // parallel to the side
    if (std::abs(B) < kFlat) return C <= 0 ? within(begin, end) : 0;
    const double t = -C / (2 * B);
    return B > 0 ? within(begin, t) : within(t, end);
  }
  const double inner = B * B - A * C;
  if (inner <= 0) return within(begin, end);
  const double root = std::sqrt(inner), t0 = (-B - root) / A, t1 = (-B + root) / A;
  // A cone steeper than the line has it inside before the one and after the other nappe; only one lies in the piece.
  return within(begin, std::min(t0, t1)) + within(std::max(t0, t1), end);
}

/// Largest radius of a piece, squared.
double widestSquare(const ProfilePiece& p) {
  const auto square = [&](double s) { return p.a + s * (p.b + s * p.c); };
  double widest = std::max(square(p.from), square(p.to));
  if (p.c < 0) widest = std::max(widest, square(std::clamp(-p.b / (2 * p.c), p.from, p.to)));
  return widest;
}

/// The same of a solid.
double widestSquare(const MetalSolid& solid) {
  double widest = 0;
  for (const ProfilePiece& p : solid.pieces) widest = std::max(widest, widestSquare(p));
  return widest;
}

/// Lines side by side.
struct Lines {
  static constexpr std::size_t kMost = 16;
  using Each = std::array<double, kMost>;
  Each s0, s1, r0, r1, r2;
  Each per_t;  // mm
  [[nodiscard]] Line at(std::size_t n) const { return {s0[n], s1[n], r0[n], r1[n], r2[n]}; }
};

/// Adds the piece's chord of each of the first `count` lines to `sum`, in units of its t.
RAYSET_WIDE void addChords(const ProfilePiece& p, const Lines& l, std::size_t count, Lines::Each& sum) {
  Lines::Each A, chord;
  for (std::size_t n = 0; n < Lines::kMost; ++n) {
    const double s1 = std::abs(l.s1[n]) < kFlat ? kFlat : l.s1[n];  // across the axis: far off, or inside for long
    const double t_from = (p.from - l.s0[n]) / s1, t_to = (p.to - l.s0[n]) / s1;
    const double begin = t_from < t_to ? t_from : t_to, end = t_from < t_to ? t_to : t_from;
    A[n] = l.r2[n] - p.c * l.s1[n] * l.s1[n];
    const double B = l.r1[n] - 0.5 * p.b * l.s1[n] - p.c * l.s0[n] * l.s1[n];
    const double C = l.r0[n] - p.a - p.b * l.s0[n] - p.c * l.s0[n] * l.s0[n];
    const double inner = B * B - A[n] * C;
    const double root = std::sqrt(inner > 0 ? inner : 0.0), divisor = A[n] > kFlat ? A[n] : 1.0;
    const double t0 = (-B - root) / divisor, t1 = (-B + root) / divisor;
    const double length = (t1 < end ? t1 : end) - (t0 > begin ? t0 : begin);
    chord[n] = inner > 0 && length > 0 ? length : 0.0;
  }
  for (std::size_t n = 0; n < count; ++n) sum[n] += A[n] > kFlat ? chord[n] : steepChord(p, l.at(n));
}

/// The rays of a view in the frame of a solid (two directions across its axis, and its axis): from each ray's point in
/// the plane of the solid's origin, where squares of long distances do not cancel. Everything about a ray is linear in
/// the pixel.
struct RaysAround {
  struct Linear {
    std::array<double, 3> first, by_column, by_row;
    [[nodiscard]] double at(std::size_t k, double column, double row) const {
      return first[k] + column * by_column[k] + row * by_row[k];
    }
  };
  Linear along, from;  // a millimetre along the view's normal; the point

  RaysAround(const MetalSolid& solid, const ProjectionView& view) {
    const Vec3 u = solid.axis.unitOrthogonal(), v = solid.axis.cross(u);
    Mat3 to_solid;
    to_solid << u.transpose(), v.transpose(), solid.axis.transpose();
    const auto ray = [&](double column, double row) {
      return Vec3(to_solid * (view.place(column, row) - view.source) / view.sid());
    };
    const double depth = (solid.origin - view.source).dot(view.normal());
    const Vec3 first = ray(0, 0), by_column = ray(1, 0) - first, by_row = ray(0, 1) - first;
    const Vec3 point = to_solid * (view.source - solid.origin) + depth * first;
    for (Eigen::Index k = 0; k < 3; ++k) {
      const auto n = static_cast<std::size_t>(k);
      along.first[n] = first[k];
      along.by_column[n] = by_column[k];
      along.by_row[n] = by_row[k];
      from.first[n] = point[k];
      from.by_column[n] = depth * by_column[k];
      from.by_row[n] = depth * by_row[k];
    }
  }
  [[nodiscard]] Line at(double column, double row) const {
    const double dx = along.at(0, column, row), dy = along.at(1, column, row);
    const double fx = from.at(0, column, row), fy = from.at(1, column, row);
    return {from.at(2, column, row), along.at(2, column, row), fx * fx + fy * fy, fx * dx + fy * dy, dx * dx + dy * dy};
  }
};

RAYSET_WIDE void place(const RaysAround& rays, const Lines::Each& column, const Lines::Each& row, Lines& out) {
  for (std::size_t n = 0; n < Lines::kMost; ++n) {
    const Line l = rays.at(column[n], row[n]);
    out.s0[n] = l.s0;
    out.s1[n] = l.s1;
    out.r0[n] = l.r0;
    out.r1[n] = l.r1;
    out.r2[n] = l.r2;
    out.per_t[n] = std::sqrt(l.r2 + l.s1 * l.s1);
  }
}

/// Where in a pixel its rays go, `side` x `side` of them, from its corner: no two in one column or row, so that an edge
/// along either passes them one by one.
std::vector<Vec2> raysOfPixel(int side) {
  std::vector<Vec2> at;
  for (int y = 0; y < side; ++y)
    for (int x = 0; x < side; ++x) at.emplace_back((x + (y + 0.5) / side) / side, (y + (side - x - 0.5) / side) / side);
  return at;
}

}  // namespace

double shareWithin(const Vec3& entry, const Vec3& tip, const MetalSolid& solid) {
  constexpr int kPoints = 64;
  int within = 0;
  for (int k = 0; k < kPoints; ++k) {
    const Vec3 from = entry + (k + 0.5) / kPoints * (tip - entry) - solid.origin;
    const double s = from.dot(solid.axis), across = (from - s * solid.axis).squaredNorm();
    within += std::ranges::any_of(solid.pieces, [&](const ProfilePiece& p) {
      return p.from <= s && s <= p.to && across <= p.a + s * (p.b + s * p.c);
    });
  }
  return static_cast<double>(within) / kPoints;
}

double chord(const MetalSolid& solid, const Vec3& origin, const Vec3& direction) {
  // From the point of the line nearest to the solid's origin, where squares of long distances do not cancel.
  const Vec3 from = origin + (solid.origin - origin).dot(direction) * direction - solid.origin;
  const double s0 = from.dot(solid.axis), s1 = direction.dot(solid.axis);
  const Vec3 across = from - s0 * solid.axis, along = direction - s1 * solid.axis;
  const Lines line{{s0}, {s1}, {across.squaredNorm()}, {across.dot(along)}, {along.squaredNorm()}, {1}};
  Lines::Each sum{};
  for (const ProfilePiece& piece : solid.pieces) addChords(piece, line, 1, sum);
  return sum[0];
}

void addMetal(std::span<const MetalSolid> solids, const ProjectionView& view, float per_mm, std::span<float> out,
              int rays) {
  if (view.columns < 0 || view.rows < 0 ||
      out.size() != static_cast<std::size_t>(view.columns) * static_cast<std::size_t>(view.rows))
    throw std::invalid_argument("addMetal: the picture is not of the view's size");
  constexpr double kEven = 0.25;  // pixels whose rays differ by less need no more rays
  const std::vector<Vec2> few = raysOfPixel(std::min(rays, 2)), many = raysOfPixel(rays);
  for (const MetalSolid& solid : solids) {
    if (solid.pieces.empty()) continue;
    double begin = 1e300, end = -1e300;
    for (const ProfilePiece& p : solid.pieces) {
      begin = std::min(begin, p.from);
      end = std::max(end, p.to);
    }
    const double widest_square = widestSquare(solid), widest = std::sqrt(widest_square);
    // The shadow of a box about it.
    const Vec3 u = solid.axis.unitOrthogonal(), v = solid.axis.cross(u);
    Vec2 low = Vec2::Constant(1e300), high = -low;
    bool in_front = true;
    for (int c = 0; c < 8; ++c) {
      const Vec3 p = solid.origin + ((c & 1) != 0 ? begin : end) * solid.axis + ((c & 2) != 0 ? widest : -widest) * u +
                     ((c & 4) != 0 ? widest : -widest) * v;
      in_front = in_front && (p - view.source).dot(view.normal()) > 1e-3;
      if (!in_front) break;
      const Vec2 at = view.project(p);
      low = low.cwiseMin(at);
      high = high.cwiseMax(at);
    }
    if (!in_front) continue;
    const auto first = [](double x, int n) { return static_cast<int>(std::clamp(std::floor(x), 0.0, 1.0 * n)); };
    const auto last = [](double x, int n) { return static_cast<int>(std::clamp(std::ceil(x), -1.0, n - 1.0)); };
    const int c0 = first(low.x(), view.columns), c1 = last(high.x(), view.columns);
    const int r0 = first(low.y(), view.rows), r1 = last(high.y(), view.rows);
    if (c0 > c1 || r0 > r1) continue;
    // A pixel is at most this far across at the solid, which is in front of the detector or slightly behind it.
    const double pixel = view.pixel_mm * std::max(1.0, [&] {
                           const double far =
                               std::max((solid.origin + begin * solid.axis - view.source).dot(view.normal()),
                                        (solid.origin + end * solid.axis - view.source).dot(view.normal()));
                           return (far + widest) / view.sid();
                         }());
    std::vector<double> widest_of_pieces;
    for (const ProfilePiece& p : solid.pieces) widest_of_pieces.push_back(std::sqrt(widestSquare(p)));
    const RaysAround rays_around(solid, view);
    // The stretch of the axis at which a pixel's rays may meet the solid: by the widest that it is there.
    struct Stretch {
      double from = 1, to = 0;  // empty
      [[nodiscard]] bool meets(const ProfilePiece& p) const { return p.from <= to && p.to >= from; }
    };
    const auto stretchOf = [&](int column, int row) -> Stretch {
      const Line l = rays_around.at(column, row);
      if (l.r2 < kFlat) return {begin, end};  // along the axis
      const double nearest = l.r0 - l.r1 * l.r1 / l.r2;
      if (nearest > (widest + pixel) * (widest + pixel)) return {};
      const double s = l.s0 - l.s1 * l.r1 / l.r2;
      const double reach = (widest + pixel) * std::abs(l.s1) / std::sqrt(l.r2) + 2 * pixel;
      const Stretch near{s - reach, s + reach};
      double most = 0;
      for (std::size_t n = 0; n < solid.pieces.size(); ++n)
        if (near.meets(solid.pieces[n])) most = std::max(most, widest_of_pieces[n]);
      return nearest <= (most + pixel) * (most + pixel) ? near : Stretch{};
    };
    tbb::parallel_for(r0, r1 + 1, [&](int r) {
      for (int c = c0; c <= c1; ++c) {
        const Stretch stretch = stretchOf(c, r);
        if (stretch.from > stretch.to) continue;
        double least = 1e300, most = 0;
        const auto mean = [&](const std::vector<Vec2>& places) {
          double sum = 0;
          Lines lines;
          Lines::Each columns{}, rows{};
          for (std::size_t done = 0; done < places.size(); done += Lines::kMost) {
            const std::size_t count = std::min(Lines::kMost, places.size() - done);
            for (std::size_t n = 0; n < count; ++n) {
              columns[n] = c + places[done + n].x() - 0.5;
              rows[n] = r + places[done + n].y() - 0.5;
            }
            place(rays_around, columns, rows, lines);
            Lines::Each chords{};
            for (const ProfilePiece& piece : solid.pieces)
              if (stretch.meets(piece)) addChords(piece, lines, count, chords);
            for (std::size_t n = 0; n < count; ++n) {
              const double length = chords[n] * lines.per_t[n];
              sum += length;
              least = std::min(least, length);
              most = std::max(most, length);
            }
          }
          return sum / static_cast<double>(places.size());
        };
        double length = mean(few);
        if (rays > 2 && (most == 0 || most - least > kEven * most)) length = mean(many);
        if (length > 0)
          out[static_cast<std::size_t>(r) * static_cast<std::size_t>(view.columns) + static_cast<std::size_t>(c)] +=
              per_mm * static_cast<float>(length);
      }
    });
  }
}

}  // namespace rayset
