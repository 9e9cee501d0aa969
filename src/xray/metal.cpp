#include "xray/metal.h"

#include <tbb/parallel_for.h>

#include <algorithm>
#include <cmath>
#include <stdexcept>

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
  MetalSolid solid;
  solid.origin = device.entry;
  solid.axis = device.direction;
  const double r = device.diameter_mm / 2, length = device.length_mm;
  const ImplantType* type = catalogue.find(device.type);
  // Lengths and shapes as in fixation/device_surface.cpp.
  if (device.kind == "screw" && type != nullptr) {
    const double head = type->head_diameter_mm / 2, reach = std::sqrt(head * head - r * r);
    const double edge = std::max(0.05, type->head_height_mm - reach);
    const double point = std::min(1.2 * r, length / 4);
    solid.pieces = {cylinderPiece(0, edge, head), spherePiece(edge, edge + reach, edge, head),
                    cylinderPiece(edge + reach, length - point, r), conePiece(length - point, length, r, 0)};
  } else {
    const double point = std::min(4 * r, length / 2), tip = 0.3 * point;
    const double blade = std::sqrt(0.9 * 0.3) * r;
    solid.pieces = {cylinderPiece(-kWireStubMm, length - point, r), conePiece(length - point, length - tip, r, blade),
                    conePiece(length - tip, length, blade, 0)};
  }
  std::erase_if(solid.pieces, [](const ProfilePiece& p) { return !(p.to > p.from); });
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

double chordOf(const ProfilePiece& p, const Line& l) {
  // Between the end planes.
  double begin = -1e300, end = 1e300;
  if (std::abs(l.s1) < 1e-12) {
    if (l.s0 < p.from || l.s0 > p.to) return 0;
  } else {
    const double t0 = (p.from - l.s0) / l.s1, t1 = (p.to - l.s0) / l.s1;
    begin = std::min(t0, t1);
    end = std::max(t0, t1);
  }
  // Within the profile: rho2 <= a + b s + c s^2, that is A t^2 + 2 B t + C <= 0.
  const double A = l.r2 - p.c * l.s1 * l.s1;
  const double B = l.r1 - 0.5 * p.b * l.s1 - p.c * l.s0 * l.s1;
  const double C = l.r0 - p.a - p.b * l.s0 - p.c * l.s0 * l.s0;
  const auto within = [&](double from, double to) { return std::max(0.0, std::min(to, end) - std::max(from, begin)); };
  if (std::abs(A) < 1e-12) {  // parallel to a cylinder's axis or to a cone's side
    if (std::abs(B) < 1e-12) return C <= 0 ? within(begin, end) : 0;
    const double t = -C / (2 * B);
    return B > 0 ? within(begin, t) : within(t, end);
  }
  const double inner = B * B - A * C;
  if (inner <= 0) return A < 0 ? within(begin, end) : 0;
  const double root = std::sqrt(inner), t0 = (-B - root) / A, t1 = (-B + root) / A;
  // A cone steeper than the line has it inside before the one and after the other nappe; only one lies in the piece.
  return A > 0 ? within(t0, t1) : within(begin, std::min(t0, t1)) + within(std::max(t0, t1), end);
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

/// Of a line, in units of its t.
double chordOf(const MetalSolid& solid, double widest_square, const Line& l) {
  // Where along the axis the line is within the widest radius of it: most pieces lie elsewhere.
  constexpr double kSlackMm = 1e-6, kAlong = 1e-12;
  double low = -1e300, high = 1e300;
  if (l.r2 > kAlong) {
    const double nearest = l.r0 - l.r1 * l.r1 / l.r2;
    if (nearest > widest_square + kSlackMm) return 0;
    const double reach = std::abs(l.s1) * std::sqrt(std::max(0.0, widest_square - nearest) / l.r2) + kSlackMm;
    const double middle = l.s0 - l.s1 * l.r1 / l.r2;
    low = middle - reach;
    high = middle + reach;
  }
  double sum = 0;
  for (const ProfilePiece& piece : solid.pieces)
    if (piece.from <= high && piece.to >= low) sum += chordOf(piece, l);
  return sum;
}

/// The rays of a view in the frame of a solid: from each ray's point in the plane of the solid's origin, where squares
/// of long distances do not cancel. All of a ray is linear in the pixel.
class RaysAround {
 public:
  RaysAround(const MetalSolid& solid, const ProjectionView& view) {
    const Vec3 u = solid.axis.unitOrthogonal(), v = solid.axis.cross(u);
    Mat3 to_solid;
    to_solid << u.transpose(), v.transpose(), solid.axis.transpose();
    const auto ray = [&](double column, double row) {  // a millimetre along the view's normal
      return Vec3(to_solid * (view.place(column, row) - view.source) / view.sid());
    };
    const double depth = (solid.origin - view.source).dot(view.normal());
    first_ = ray(0, 0);
    by_column_ = ray(1, 0) - first_;
    by_row_ = ray(0, 1) - first_;
    from_ = to_solid * (view.source - solid.origin) + depth * first_;
    from_by_column_ = depth * by_column_;
    from_by_row_ = depth * by_row_;
  }
  struct Ray {
    Line line;
    double per_t;  ///< mm
  };
  [[nodiscard]] Ray at(double column, double row) const {
    const Vec3 d = first_ + column * by_column_ + row * by_row_;
    const Vec3 f = from_ + column * from_by_column_ + row * from_by_row_;
    const double across = d.x() * d.x() + d.y() * d.y();
    return {{f.z(), d.z(), f.x() * f.x() + f.y() * f.y(), f.x() * d.x() + f.y() * d.y(), across},
            std::sqrt(across + d.z() * d.z())};
  }

 private:
  Vec3 first_, by_column_, by_row_, from_, from_by_column_, from_by_row_;
};

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
  return chordOf(solid, widestSquare(solid), {s0, s1, across.squaredNorm(), across.dot(along), along.squaredNorm()});
}

void addMetal(std::span<const MetalSolid> solids, const ProjectionView& view, float per_mm, std::span<float> out,
              int rays) {
  if (view.columns < 0 || view.rows < 0 ||
      out.size() != static_cast<std::size_t>(view.columns) * static_cast<std::size_t>(view.rows))
    throw std::invalid_argument("addMetal: the picture is not of the view's size");
  constexpr double kEven = 0.25;  // pixels whose rays differ less need no more of them
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
    // A pixel is at most this far across where the solid is, which stands in front of the detector or little behind.
    const double pixel = view.pixel_mm * std::max(1.0, [&] {
                           const double far =
                               std::max((solid.origin + begin * solid.axis - view.source).dot(view.normal()),
                                        (solid.origin + end * solid.axis - view.source).dot(view.normal()));
                           return (far + widest) / view.sid();
                         }());
    std::vector<double> widest_of_pieces;
    for (const ProfilePiece& p : solid.pieces) widest_of_pieces.push_back(std::sqrt(widestSquare(p)));
    const RaysAround rays_around(solid, view);
    // Whether a pixel's rays may meet the solid: by the widest that it is where they come close to its axis.
    const auto mayMeet = [&](int column, int row) {
      const Line l = rays_around.at(column, row).line;
      if (l.r2 < 1e-12) return true;  // along the axis
      const double nearest = l.r0 - l.r1 * l.r1 / l.r2;
      if (nearest > (widest + pixel) * (widest + pixel)) return false;
      const double s = l.s0 - l.s1 * l.r1 / l.r2;
      const double reach = (widest + pixel) * std::abs(l.s1) / std::sqrt(l.r2) + 2 * pixel;
      double most = 0;
      for (std::size_t n = 0; n < solid.pieces.size(); ++n)
        if (solid.pieces[n].from <= s + reach && solid.pieces[n].to >= s - reach)
          most = std::max(most, widest_of_pieces[n]);
      return nearest <= (most + pixel) * (most + pixel);
    };
    tbb::parallel_for(r0, r1 + 1, [&](int r) {
      for (int c = c0; c <= c1; ++c) {
        if (!mayMeet(c, r)) continue;
        double least = 1e300, most = 0;
        const auto mean = [&](int side) {
          double sum = 0;
          for (int y = 0; y < side; ++y)
            for (int x = 0; x < side; ++x) {
              // No two rays in one column or row: an edge along either passes them one by one.
              const double dx = (x + (y + 0.5) / side) / side, dy = (y + (side - x - 0.5) / side) / side;
              const RaysAround::Ray ray = rays_around.at(c + dx - 0.5, r + dy - 0.5);
              const double length = chordOf(solid, widest_square, ray.line) * ray.per_t;
              sum += length;
              least = std::min(least, length);
              most = std::max(most, length);
            }
          return sum / (side * side);
        };
        double length = mean(std::min(rays, 2));
        if (rays > 2 && (most == 0 || most - least > kEven * most)) length = mean(rays);
        if (length > 0)
          out[static_cast<std::size_t>(r) * static_cast<std::size_t>(view.columns) + static_cast<std::size_t>(c)] +=
              per_mm * static_cast<float>(length);
      }
    });
  }
}

}  // namespace rayset
