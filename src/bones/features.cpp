#include "bones/features.h"

#include <tbb/blocked_range.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <cmath>
#include <numbers>
#include <unordered_map>

namespace rayset::bones {

std::vector<std::uint8_t> exteriorMask(const ScanImage& scan) {
  const Image& image = scan.calm;
  const int nx = image.size.x(), ny = image.size.y(), nz = image.size.z();
  const auto level = static_cast<float>(scan.levels.bone);
  std::vector<std::uint8_t> mask(image.count(), 0);
  std::vector<std::array<int, 3>> stack;

  // Seeds on each of the six faces. On a border of the scan, dark pieces of the face that do not touch the face's rim are
  // cut-open marrow cavities.
  const auto voxelOnFace = [&](int axis, int side, int a, int b) {
    std::array<int, 3> index{};
    const int fixed = side == 0 ? 0 : image.size[axis] - 1;
    index[static_cast<std::size_t>(axis)] = fixed;
    index[static_cast<std::size_t>((axis + 1) % 3)] = a;
    index[static_cast<std::size_t>((axis + 2) % 3)] = b;
    return index;
  };
  for (int axis = 0; axis < 3; ++axis)
    for (int side = 0; side < 2; ++side) {
      const int na = image.size[(axis + 1) % 3], nb = image.size[(axis + 2) % 3];
      const bool cut = scan.scan_border[static_cast<std::size_t>(2 * axis + side)];
      std::vector<std::uint8_t> dark(static_cast<std::size_t>(na) * static_cast<std::size_t>(nb), 0);
      for (int b = 0; b < nb; ++b)
        for (int a = 0; a < na; ++a) {
          const auto q = voxelOnFace(axis, side, a, b);
          dark[static_cast<std::size_t>(b) * static_cast<std::size_t>(na) + static_cast<std::size_t>(a)] =
              image.v[image.offset(q[0], q[1], q[2])] < level;
        }
      std::vector<std::uint8_t> seed = dark;
      if (cut) {  // keep only what the rim reaches
        std::fill(seed.begin(), seed.end(), std::uint8_t{0});
        std::vector<std::pair<int, int>> todo;
        const auto visit = [&](int a, int b) {
          if (a < 0 || b < 0 || a >= na || b >= nb) return;
          const std::size_t n = static_cast<std::size_t>(b) * static_cast<std::size_t>(na) + static_cast<std::size_t>(a);
          if (!dark[n] || seed[n]) return;
          seed[n] = 1;
          todo.emplace_back(a, b);
        };
        for (int a = 0; a < na; ++a) visit(a, 0), visit(a, nb - 1);
        for (int b = 0; b < nb; ++b) visit(0, b), visit(na - 1, b);
        while (!todo.empty()) {
          const auto [a, b] = todo.back();
          todo.pop_back();
          visit(a + 1, b), visit(a - 1, b), visit(a, b + 1), visit(a, b - 1);
        }
      }
      for (int b = 0; b < nb; ++b)
        for (int a = 0; a < na; ++a) {
          if (!seed[static_cast<std::size_t>(b) * static_cast<std::size_t>(na) + static_cast<std::size_t>(a)]) continue;
          const auto q = voxelOnFace(axis, side, a, b);
          const std::size_t n = image.offset(q[0], q[1], q[2]);
          if (mask[n]) continue;
          mask[n] = 1;
          stack.push_back(q);
        }
    }
  while (!stack.empty()) {
    const auto q = stack.back();
    stack.pop_back();
    const auto visit = [&](int i, int j, int k) {
      if (i < 0 || j < 0 || k < 0 || i >= nx || j >= ny || k >= nz) return;
      const std::size_t n = image.offset(i, j, k);
      if (mask[n] || !(image.v[n] < level)) return;
      mask[n] = 1;
      stack.push_back({i, j, k});
    };
    visit(q[0] - 1, q[1], q[2]), visit(q[0] + 1, q[1], q[2]);
    visit(q[0], q[1] - 1, q[2]), visit(q[0], q[1] + 1, q[2]);
    visit(q[0], q[1], q[2] - 1), visit(q[0], q[1], q[2] + 1);
  }
  return mask;
}

std::vector<EdgePoint> edgePoints(const ScanImage& scan, const std::vector<std::uint8_t>& exterior) {
  const Image& image = scan.calm;
  const double h = image.h;
  const double contrast = scan.levels.bright - scan.levels.soft;
  // Noise left in a central difference after smoothing by sigma: white noise of one voxel shrinks by (2 sqrt(pi) sigma/h)^-1.5
  // and differs by about 1/(sigma sqrt 2) per mm.
  const double s = std::max(scan.calm_sigma_mm, 0.3);
  const double noise_slope = scan.levels.noise * std::pow(2 * std::sqrt(std::numbers::pi) * s / h, -1.5) / (s * std::numbers::sqrt2);
  const double least = std::max(0.16 * contrast, 5 * noise_slope);
  std::vector<std::vector<EdgePoint>> slabs(static_cast<std::size_t>(image.size.z()));
  tbb::parallel_for(2, image.size.z() - 2, [&](int k) {
    auto& out = slabs[static_cast<std::size_t>(k)];
    for (int j = 2; j < image.size.y() - 2; ++j)
      for (int i = 2; i < image.size.x() - 2; ++i) {
        const std::size_t n = image.offset(i, j, k);
        const float* q = image.v.data() + n;
        const auto sy = static_cast<std::ptrdiff_t>(image.size.x()), sz = sy * image.size.y();
        const Vec3 g(0.5 * static_cast<double>(q[1] - q[-1]) / h, 0.5 * static_cast<double>(q[sy] - q[-sy]) / h,
                     0.5 * static_cast<double>(q[sz] - q[-sz]) / h);
        const double size = g.norm();
        if (size < least) continue;
        const Vec3 normal = -g / size;
        const Vec3 centre(i * h, j * h, k * h);
        const auto at = [&](double t) { return static_cast<double>(image.linear(centre + t * normal)); };
        const double a = at(-1.5 * h), b = at(-0.5 * h), c = at(0.5 * h), d = at(1.5 * h);
        const double before = b - a, here = c - b, after = d - c;  // all negative on an outer edge
        if (here >= 0 || here > before || here > after) continue;
        const double curvature = before - 2 * here + after;
        const double shift = curvature > 0 ? std::clamp(0.5 * (before - after) / curvature, -1.0, 1.0) : 0.0;
        if (std::abs(shift) > 0.75) continue;
        const Vec3 p = centre + shift * h * normal;

        // Which side is the outside? Walk outward: open soft tissue, or a dip that rises again.
        const auto from = [&](double t) { return static_cast<double>(image.linear(p + t * normal)); };
        double inside = from(0);
        for (double t = -0.4; t > -1.7; t -= 0.4) inside = std::max(inside, from(t));
        double lowest = 1e9, at_lowest = 0;
        for (double t = 0.25; t < 1.6; t += 0.25)
          if (const double value = from(t); value < lowest) lowest = value, at_lowest = t;
        double beyond = lowest;
        for (double t = at_lowest + 0.25; t < at_lowest + 1.8; t += 0.25) beyond = std::max(beyond, from(t));
        const double drop = inside - lowest;
        if (drop < 0.22 * contrast) continue;
        bool open = false;
        for (double t = 0.5; t < 1.8 && !open; t += 0.4) {
          const Vec3 x = (p + t * normal) / h;
          const int xi = static_cast<int>(std::lround(x.x())), xj = static_cast<int>(std::lround(x.y())),
                    xk = static_cast<int>(std::lround(x.z()));
          if (xi < 0 || xj < 0 || xk < 0 || xi >= image.size.x() || xj >= image.size.y() || xk >= image.size.z()) continue;
          open = exterior[image.offset(xi, xj, xk)] != 0;
        }
        const bool gap = beyond - lowest > 0.4 * drop;
        if (!open && !gap) continue;
        out.push_back({p, normal, static_cast<float>(-here / h), gap});
      }
  });
  std::vector<EdgePoint> all;
  for (auto& slab : slabs) all.insert(all.end(), slab.begin(), slab.end());
  return all;
}

std::vector<EdgePoint> thinned(const std::vector<EdgePoint>& points, double cell_mm) {
  std::unordered_map<std::uint64_t, std::size_t> cells;
  cells.reserve(points.size());
  std::vector<std::size_t> kept;
  for (std::size_t n = 0; n < points.size(); ++n) {
    const Vec3 c = points[n].position / cell_mm;
    // Opposite edges of a thin gap must not compete: the dominant direction of the normal is part of the cell.
    int axis = 0;
    points[n].normal.cwiseAbs().maxCoeff(&axis);
    const auto facing = static_cast<std::uint64_t>(2 * axis + (points[n].normal[axis] > 0 ? 1 : 0));
    const std::uint64_t key = (((static_cast<std::uint64_t>(static_cast<std::int64_t>(std::floor(c.x())) + 4096) << 13 |
                                 static_cast<std::uint64_t>(static_cast<std::int64_t>(std::floor(c.y())) + 4096))
                                    << 13 |
                                static_cast<std::uint64_t>(static_cast<std::int64_t>(std::floor(c.z())) + 4096))
                               << 3) |
                              facing;
    const auto [it, fresh] = cells.try_emplace(key, kept.size());
    if (fresh)
      kept.push_back(n);
    else if (points[n].strength > points[kept[it->second]].strength)
      kept[it->second] = n;
  }
  std::vector<EdgePoint> out;
  out.reserve(kept.size());
  for (const std::size_t n : kept) out.push_back(points[n]);
  return out;
}

double largestEigenvalue(double xx, double yy, double zz, double xy, double xz, double yz) {
  const double off = xy * xy + xz * xz + yz * yz;
  const double mean = (xx + yy + zz) / 3;
  const double a = xx - mean, b = yy - mean, c = zz - mean;
  const double p2 = a * a + b * b + c * c + 2 * off;
  if (p2 <= 1e-30) return mean;
  const double p = std::sqrt(p2 / 6);
  const double det = a * (b * c - yz * yz) - xy * (xy * c - yz * xz) + xz * (xy * yz - b * xz);
  const double r = std::clamp(0.5 * det / (p * p * p), -1.0, 1.0);
  return mean + 2 * p * std::cos(std::acos(r) / 3);
}

float darkSheet(const Image& calm, int i, int j, int k, double sigma_mm) {
  if (i < 1 || j < 1 || k < 1 || i >= calm.size.x() - 1 || j >= calm.size.y() - 1 || k >= calm.size.z() - 1) return 0;
  const float* q = calm.v.data() + calm.offset(i, j, k);
  const auto sy = static_cast<std::ptrdiff_t>(calm.size.x()), sz = sy * calm.size.y();
  const auto d = [&](std::ptrdiff_t n) { return static_cast<double>(q[n]); };
  const double c2 = 2 * d(0);
  const double xx = d(1) + d(-1) - c2, yy = d(sy) + d(-sy) - c2, zz = d(sz) + d(-sz) - c2;
  const double xy = 0.25 * (d(1 + sy) + d(-1 - sy) - d(1 - sy) - d(-1 + sy));
  const double xz = 0.25 * (d(1 + sz) + d(-1 - sz) - d(1 - sz) - d(-1 + sz));
  const double yz = 0.25 * (d(sy + sz) + d(-sy - sz) - d(sy - sz) - d(-sy + sz));
  const double value = largestEigenvalue(xx, yy, zz, xy, xz, yz) * sigma_mm * sigma_mm / (calm.h * calm.h);
  return value > 0 ? static_cast<float>(value) : 0.0F;
}

}  // namespace rayset::bones
