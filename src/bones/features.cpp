#include "bones/features.h"

#include <tbb/blocked_range.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <cmath>
#include <cstring>
#include <numbers>
#include <unordered_map>

#include "bones/components.h"

namespace rayset::bones {

std::vector<std::uint8_t> exteriorMask(const ScanImage& scan) {
  const Image& image = scan.calm;
  const int nx = image.size.x(), ny = image.size.y(), nz = image.size.z();
  const auto level = static_cast<float>(scan.levels.bone);
  std::vector<std::uint8_t> mask(image.count(), 0);

  // Seeds on each of the six faces. On a border of the scan, dark pieces of the face that do not touch the face's rim
  // are cut-open marrow cavities.
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
          const std::size_t n =
              static_cast<std::size_t>(b) * static_cast<std::size_t>(na) + static_cast<std::size_t>(a);
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
          mask[image.offset(q[0], q[1], q[2])] = 1;
        }
    }
  // Flood only where there is room: a voxel whose 26 neighbours are dark too. Pores that open through a thin or cut
  // cortex are narrower; joint gaps are as well and are added by growIntoGaps().
  std::vector<std::uint8_t> roomy(image.count(), 0);
  tbb::parallel_for(0, nz, [&](int k) {
    // Separable minimum over three voxels each way.
    std::vector<std::uint8_t> column(static_cast<std::size_t>(nx) * static_cast<std::size_t>(ny)), line(column.size());
    for (int j = 0; j < ny; ++j)
      for (int i = 0; i < nx; ++i) {
        bool dark = true;
        for (int d = std::max(0, k - 1); d <= std::min(nz - 1, k + 1); ++d)
          dark = dark && image.v[image.offset(i, j, d)] < level;
        column[static_cast<std::size_t>(j) * static_cast<std::size_t>(nx) + static_cast<std::size_t>(i)] = dark;
      }
    for (int j = 0; j < ny; ++j)
      for (int i = 0; i < nx; ++i) {
        const std::uint8_t* row = column.data() + static_cast<std::size_t>(j) * static_cast<std::size_t>(nx);
        line[static_cast<std::size_t>(j) * static_cast<std::size_t>(nx) + static_cast<std::size_t>(i)] =
            row[std::max(0, i - 1)] & row[i] & row[std::min(nx - 1, i + 1)];
      }
    for (int j = 0; j < ny; ++j)
      for (int i = 0; i < nx; ++i) {
        const auto at = [&](int y) {
          return line[static_cast<std::size_t>(std::clamp(y, 0, ny - 1)) * static_cast<std::size_t>(nx) +
                      static_cast<std::size_t>(i)];
        };
        roomy[image.offset(i, j, k)] = at(j - 1) & at(j) & at(j + 1);
      }
  });
  // Keep only the room that is connected to a seed.
  const Components rooms(image.size, roomy);
  std::vector<std::uint8_t> outside(rooms.count(), 0);
  for (const Run& run : rooms.runs())
    if (outside[run.piece] == 0 && std::memchr(mask.data() + run.from, 1, run.to - run.from) != nullptr)
      outside[run.piece] = 1;
  std::fill(mask.begin(), mask.end(), std::uint8_t{0});
  for (const Run& run : rooms.runs())
    if (outside[run.piece] != 0) std::memset(mask.data() + run.from, 1, run.to - run.from);
  // Back out to the dark voxels along the walls: twice, those next to the outside.
  std::vector<std::uint8_t>& grown = roomy;  // no longer needed
  for (int round = 0; round < 2; ++round) {
    tbb::parallel_for(0, nz, [&](int k) {
      for (int j = 0; j < ny; ++j) {
        const std::size_t row = image.offset(0, j, k);
        const auto sy = static_cast<std::size_t>(nx), sz = sy * static_cast<std::size_t>(ny);
        for (int i = 0; i < nx; ++i) {
          const std::size_t n = row + static_cast<std::size_t>(i);
          const bool beside = (i > 0 && mask[n - 1]) || (i + 1 < nx && mask[n + 1]) || (j > 0 && mask[n - sy]) ||
                              (j + 1 < ny && mask[n + sy]) || (k > 0 && mask[n - sz]) || (k + 1 < nz && mask[n + sz]);
          grown[n] = mask[n] || (beside && image.v[n] < level);
        }
      }
    });
    mask.swap(grown);
  }
  return mask;
}

std::vector<EdgePoint> edgePoints(const ScanImage& scan, const std::vector<std::uint8_t>& exterior) {
  const Image& image = scan.calm;
  const double h = image.h;
  const double contrast = scan.levels.bright - scan.levels.soft;
  // Noise left in a central difference after smoothing by sigma: white noise of one voxel shrinks by (2 sqrt(pi)
  // sigma/h)^-1.5 and differs by about 1/(sigma sqrt 2) per mm.
  const double s = std::max(scan.calm_sigma_mm, 0.3);
  const double noise_slope =
      scan.levels.noise * std::pow(2 * std::sqrt(std::numbers::pi) * s / h, -1.5) / (s * std::numbers::sqrt2);
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

        // An edge of a bone has the exterior just beyond it.
        int outside = 0;
        for (double t = 0.3; t < 1.2 && outside == 0; t += 0.2) {
          const Vec3 x = (p + t * normal) / h;
          const int xi = static_cast<int>(std::lround(x.x())), xj = static_cast<int>(std::lround(x.y())),
                    xk = static_cast<int>(std::lround(x.z()));
          if (xi < 0 || xj < 0 || xk < 0 || xi >= image.size.x() || xj >= image.size.y() || xk >= image.size.z()) break;
          outside = exterior[image.offset(xi, xj, xk)];
        }
        if (outside == 0) continue;
        const auto from = [&](double t) { return static_cast<double>(image.linear(p + t * normal)); };
        double inside = from(0), lowest = from(0);
        for (double t = 0.4; t < 1.7; t += 0.4) inside = std::max(inside, from(-t));
        for (double t = 0.3; t < 1.3; t += 0.3) lowest = std::min(lowest, from(t));
        if (inside - lowest < 0.22 * contrast || inside < scan.levels.bone)
          continue;  // the skin is an edge too, but not of bone
        const bool gap = outside == 2;
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

std::array<double, 2> largerEigenvalues(double xx, double yy, double zz, double xy, double xz, double yz) {
  const double off = xy * xy + xz * xz + yz * yz;
  const double mean = (xx + yy + zz) / 3;
  const double a = xx - mean, b = yy - mean, c = zz - mean;
  const double p2 = a * a + b * b + c * c + 2 * off;
  if (p2 <= 1e-30) return {mean, mean};
  const double p = std::sqrt(p2 / 6);
  const double det = a * (b * c - yz * yz) - xy * (xy * c - yz * xz) + xz * (xy * yz - b * xz);
  const double r = std::clamp(0.5 * det / (p * p * p), -1.0, 1.0);
  const double angle = std::acos(r) / 3;
  const double largest = mean + 2 * p * std::cos(angle);
  const double smallest = mean + 2 * p * std::cos(angle + 2 * std::numbers::pi / 3);
  return {largest, 3 * mean - largest - smallest};
}

namespace {

/// Hessian at an inner voxel by central differences, per voxel squared.
Mat3 hessianAt(const Image& image, int i, int j, int k) {
  const float* q = image.v.data() + image.offset(i, j, k);
  const auto sy = static_cast<std::ptrdiff_t>(image.size.x()), sz = sy * image.size.y();
  const auto d = [&](std::ptrdiff_t n) { return static_cast<double>(q[n]); };
  Mat3 H;
  H(0, 0) = d(1) + d(-1) - 2 * d(0);
  H(1, 1) = d(sy) + d(-sy) - 2 * d(0);
  H(2, 2) = d(sz) + d(-sz) - 2 * d(0);
  H(0, 1) = H(1, 0) = 0.25 * (d(1 + sy) + d(-1 - sy) - d(1 - sy) - d(-1 + sy));
  H(0, 2) = H(2, 0) = 0.25 * (d(1 + sz) + d(-1 - sz) - d(1 - sz) - d(-1 + sz));
  H(1, 2) = H(2, 1) = 0.25 * (d(sy + sz) + d(-sy - sz) - d(sy - sz) - d(-sy + sz));
  return H;
}

/// How far the grey value rises on the lower of the two sides of a sheet, within 1.5 mm across it.
double valleyDepth(const Image& image, int i, int j, int k) {
  const Mat3 H = hessianAt(image, i, j, k);
  const auto [largest, middle] = largerEigenvalues(H(0, 0), H(1, 1), H(2, 2), H(0, 1), H(0, 2), H(1, 2));
  (void)middle;
  const Mat3 A = H - largest * Mat3::Identity();
  Vec3 across = A.row(0).cross(A.row(1)).transpose();
  for (const Vec3& other : {Vec3(A.row(0).cross(A.row(2)).transpose()), Vec3(A.row(1).cross(A.row(2)).transpose())})
    if (other.squaredNorm() > across.squaredNorm()) across = other;
  if (across.squaredNorm() < 1e-12) return 0;
  across.normalize();
  const Vec3 p = image.h * Vec3(i, j, k);
  double ahead = -1e9, behind = -1e9;
  for (double t = 0.5; t < 1.6; t += 0.25) {
    ahead = std::max(ahead, static_cast<double>(image.linear(p + t * across)));
    behind = std::max(behind, static_cast<double>(image.linear(p - t * across)));
  }
  return std::min(ahead, behind) - static_cast<double>(image.v[image.offset(i, j, k)]);
}

}  // namespace

float darkSheet(const Image& calm, int i, int j, int k, double sigma_mm) {
  if (i < 1 || j < 1 || k < 1 || i >= calm.size.x() - 1 || j >= calm.size.y() - 1 || k >= calm.size.z() - 1) return 0;
  const Mat3 H = hessianAt(calm, i, j, k);
  const auto [largest, middle] = largerEigenvalues(H(0, 0), H(1, 1), H(2, 2), H(0, 1), H(0, 2), H(1, 2));
  const double value = (largest - std::max(0.0, middle)) * sigma_mm * sigma_mm / (calm.h * calm.h);
  return value > 0 ? static_cast<float>(value) : 0.0F;
}

float brightSheet(const Image& calm, const Levels& levels, int i, int j, int k) {
  constexpr double kAsideMm = 2.5;
  const int far = static_cast<int>(std::lround(kAsideMm / calm.h));
  if (i < far || j < far || k < far || i >= calm.size.x() - far || j >= calm.size.y() - far || k >= calm.size.z() - far)
    return 0;
  const float here = calm.v[calm.offset(i, j, k)];
  const auto bone = static_cast<float>(levels.bone);
  if (here <= bone) return 0;
  float most = 0;
  for (int z = 0; z <= 1; ++z)
    for (int y = z == 0 ? 0 : -1; y <= 1; ++y)
      for (int x = z == 0 && y == 0 ? 1 : -1; x <= 1; ++x) {
        const double way = kAsideMm / calm.h / std::sqrt(x * x + y * y + z * z);
        const auto step = [&](int d) { return static_cast<int>(std::lround(way * d)); };
        const float a = calm.v[calm.offset(i + step(x), j + step(y), k + step(z))],
                    b = calm.v[calm.offset(i - step(x), j - step(y), k - step(z))];
        if (a > bone && b > bone) most = std::max(most, here - std::max(a, b));
      }
  return most;
}

void growIntoGaps(const ScanImage& scan, std::vector<std::uint8_t>& exterior) {
  const Image& image = scan.calm;
  const int nx = image.size.x(), ny = image.size.y(), nz = image.size.z();
  const double sigma = std::max(0.5, scan.calm_sigma_mm);
  const double contrast = scan.levels.bright - scan.levels.soft;
  const auto least = static_cast<float>(0.1 * contrast);
  const double valley = std::max(0.28 * contrast, 3 * scan.levels.noise);
  std::vector<std::array<int, 3>> stack;
  std::vector<std::uint8_t> tried(image.count(), 0);
  const auto visit = [&](int i, int j, int k) {
    if (i < 1 || j < 1 || k < 1 || i >= nx - 1 || j >= ny - 1 || k >= nz - 1) return;
    const std::size_t n = image.offset(i, j, k);
    if (exterior[n] || tried[n]) return;
    tried[n] = 1;
    if (darkSheet(image, i, j, k, sigma) < least || valleyDepth(image, i, j, k) < valley) return;
    exterior[n] = 2;
    stack.push_back({i, j, k});
  };
  const auto around = [&](int i, int j, int k) {
    visit(i - 1, j, k), visit(i + 1, j, k), visit(i, j - 1, k), visit(i, j + 1, k), visit(i, j, k - 1),
        visit(i, j, k + 1);
  };
  for (int k = 1; k < nz - 1; ++k)
    for (int j = 1; j < ny - 1; ++j)
      for (int i = 1; i < nx - 1; ++i)
        if (exterior[image.offset(i, j, k)] == 1) around(i, j, k);
  std::vector<std::array<int, 3>> grown;
  while (!stack.empty()) {
    const auto q = stack.back();
    stack.pop_back();
    grown.push_back(q);
    around(q[0], q[1], q[2]);
  }
  // The dark voxels beside the sheet's middle belong to the gap as well.
  const auto level = static_cast<float>(scan.levels.bone);
  for (int round = 0; round < 2; ++round) {
    std::vector<std::array<int, 3>> next;
    for (const auto& q : grown)
      for (std::size_t a = 0; a < 3; ++a)
        for (const int d : {-1, 1}) {
          auto r = q;
          r[a] += d;
          if (r[a] < 0 || r[a] >= image.size[static_cast<int>(a)]) continue;
          const std::size_t n = image.offset(r[0], r[1], r[2]);
          if (exterior[n] || !(image.v[n] < level)) continue;
          exterior[n] = 2;
          next.push_back(r);
        }
    grown.swap(next);
  }
}

}  // namespace rayset::bones
