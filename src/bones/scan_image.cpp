#include "bones/scan_image.h"

#include <tbb/blocked_range.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <deque>
#include <numbers>

#include "base/median.h"

namespace rayset::bones {
namespace {

template <class F>
void parallelFor(int n, const F& f) {
  tbb::parallel_for(tbb::blocked_range<int>(0, n), [&](const tbb::blocked_range<int>& r) {
    for (int i = r.begin(); i != r.end(); ++i) f(i);
  });
}

std::array<float, 4> catmullRom(double t) {
  const double t2 = t * t, t3 = t2 * t;
  return {static_cast<float>(0.5 * (-t3 + 2 * t2 - t)), static_cast<float>(0.5 * (3 * t3 - 5 * t2 + 2)),
          static_cast<float>(0.5 * (-3 * t3 + 4 * t2 + t)), static_cast<float>(0.5 * (t3 - t2))};
}

/// Weights that take samples of a line with spacing `in` to positions shift + n * out: cubic where the output is finer,
/// a Gaussian of the output's width where it is coarser (no aliasing).
struct LineKernel {
  std::vector<int> first;
  std::vector<std::array<float, 12>> weight;
  int taps = 4;
};
LineKernel lineKernel(int n_in, int n_out, double in, double out, double shift) {
  LineKernel kernel;
  kernel.first.resize(static_cast<std::size_t>(n_out));
  kernel.weight.resize(static_cast<std::size_t>(n_out));
  const bool coarser = out > 1.05 * in;
  const double sigma = coarser ? 0.45 * std::sqrt(out * out - in * in) / in : 0;  // in input samples
  const int radius = coarser ? std::min(5, std::max(2, static_cast<int>(std::ceil(3 * sigma)))) : 2;
  kernel.taps = 2 * radius;
  for (int n = 0; n < n_out; ++n) {
    const double x = (shift + n * out) / in;
    const int base = static_cast<int>(std::floor(x));
    const double t = x - base;
    auto& w = kernel.weight[static_cast<std::size_t>(n)];
    w.fill(0);
    if (coarser) {
      double sum = 0;
      for (int a = 0; a < kernel.taps; ++a) {
        const double d = a - radius + 1 - t;
        // The box of the linear interpolation between samples is kept so that a small sigma does not alias.
        w[static_cast<std::size_t>(a)] = static_cast<float>(std::exp(-d * d / (2 * (sigma * sigma + 0.08))));
        sum += static_cast<double>(w[static_cast<std::size_t>(a)]);
      }
      for (auto& value : w) value = static_cast<float>(static_cast<double>(value) / sum);
    } else {
      const auto c = catmullRom(t);
      for (std::size_t a = 0; a < 4; ++a) w[a] = c[a];
    }
    kernel.first[static_cast<std::size_t>(n)] = base - radius + 1;
  }
  (void)n_in;
  return kernel;
}

}  // namespace

float Image::linear(const Vec3& p) const {
  const double inv = 1 / h;
  const double x = std::clamp(p.x() * inv, 0.0, size.x() - 1.0), y = std::clamp(p.y() * inv, 0.0, size.y() - 1.0),
               z = std::clamp(p.z() * inv, 0.0, size.z() - 1.0);
  const int i = std::min(static_cast<int>(x), size.x() - 2), j = std::min(static_cast<int>(y), size.y() - 2),
            k = std::min(static_cast<int>(z), size.z() - 2);
  const auto a = static_cast<float>(x - i), b = static_cast<float>(y - j), c = static_cast<float>(z - k);
  const float* q = v.data() + offset(i, j, k);
  const auto sy = static_cast<std::size_t>(size.x()), sz = sy * static_cast<std::size_t>(size.y());
  const float v00 = q[0] + a * (q[1] - q[0]), v10 = q[sy] + a * (q[sy + 1] - q[sy]);
  const float v01 = q[sz] + a * (q[sz + 1] - q[sz]), v11 = q[sz + sy] + a * (q[sz + sy + 1] - q[sz + sy]);
  const float v0 = v00 + b * (v10 - v00), v1 = v01 + b * (v11 - v01);
  return v0 + c * (v1 - v0);
}

float Image::cubic(const Vec3& p) const {
  const Vec3 x = p / h;
  const auto below = [](double value) {
    const int n = static_cast<int>(value);
    return value < n ? n - 1 : n;
  };
  const Eigen::Vector3i base(below(x.x()), below(x.y()), below(x.z()));
  const auto wx = catmullRom(x.x() - base.x()), wy = catmullRom(x.y() - base.y()), wz = catmullRom(x.z() - base.z());
  // Rows are weighted as vectors of four voxels, then the remaining ones along x.
  using Row = Eigen::Array4f;
  Row sum = Row::Zero();
  if (base.minCoeff() >= 1 && (size - base).minCoeff() > 2) {
    const float* plane = v.data() + offset(base.x() - 1, base.y() - 1, base.z() - 1);
    const auto sy = static_cast<std::size_t>(size.x()), sz = sy * static_cast<std::size_t>(size.y());
    for (std::size_t c = 0; c < 4; ++c, plane += sz)
      sum += wz[c] * (wy[0] * Row::Map(plane) + wy[1] * Row::Map(plane + sy) + wy[2] * Row::Map(plane + 2 * sy) +
                      wy[3] * Row::Map(plane + 3 * sy));
  } else {
    const auto within = [](int n, int count) { return std::clamp(n, 0, count - 1); };
    for (int c = 0; c < 4; ++c)
      for (int b = 0; b < 4; ++b) {
        const float* row = v.data() + offset(0, within(base.y() + b - 1, size.y()), within(base.z() + c - 1, size.z()));
        const float w = wz[static_cast<std::size_t>(c)] * wy[static_cast<std::size_t>(b)];
        for (int a = 0; a < 4; ++a) sum[a] += w * row[within(base.x() + a - 1, size.x())];
      }
  }
  return (sum * Row::Map(wx.data())).sum();
}

double Image::depth(const Vec3& p) const {
  const Vec3 far = h * (size.cast<double>() - Vec3::Ones()) - p;
  return std::min(p.minCoeff(), far.minCoeff());
}

void smooth(Image& image, double sigma_mm) {
  const double sigma = sigma_mm / image.h;
  if (sigma < 0.05) return;
  const int radius = std::max(1, static_cast<int>(std::ceil(3 * sigma)));
  std::vector<float> w(static_cast<std::size_t>(radius) + 1);
  double sum = 0;
  for (int a = 0; a <= radius; ++a) {
    const double value = std::exp(-a * a / (2 * sigma * sigma));
    w[static_cast<std::size_t>(a)] = static_cast<float>(value);
    sum += a == 0 ? value : 2 * value;
  }
  for (auto& value : w) value = static_cast<float>(static_cast<double>(value) / sum);
  const int nx = image.size.x(), ny = image.size.y(), nz = image.size.z();
  const auto row = static_cast<std::size_t>(nx);

  // x, then y, within each slice.
  parallelFor(nz, [&](int k) {
    std::vector<float> line(row + 2 * static_cast<std::size_t>(radius));
    std::vector<float> slice(row * static_cast<std::size_t>(ny));
    for (int j = 0; j < ny; ++j) {
      const float* in = image.v.data() + image.offset(0, j, k);
      for (int a = 0; a < radius; ++a) line[static_cast<std::size_t>(a)] = in[0];
      std::copy(in, in + nx, line.begin() + radius);
      for (int a = 0; a < radius; ++a) line[static_cast<std::size_t>(nx + radius + a)] = in[nx - 1];
      float* out = slice.data() + static_cast<std::size_t>(j) * row;
      for (int i = 0; i < nx; ++i) out[i] = w[0] * line[static_cast<std::size_t>(i + radius)];
      for (int a = 1; a <= radius; ++a)
        for (int i = 0; i < nx; ++i)
          out[i] += w[static_cast<std::size_t>(a)] *
                    (line[static_cast<std::size_t>(i + radius - a)] + line[static_cast<std::size_t>(i + radius + a)]);
    }
    for (int j = 0; j < ny; ++j) {
      float* out = image.v.data() + image.offset(0, j, k);
      const float* mid = slice.data() + static_cast<std::size_t>(j) * row;
      for (int i = 0; i < nx; ++i) out[i] = w[0] * mid[i];
      for (int a = 1; a <= radius; ++a) {
        const float* lo = slice.data() + static_cast<std::size_t>(std::max(0, j - a)) * row;
        const float* hi = slice.data() + static_cast<std::size_t>(std::min(ny - 1, j + a)) * row;
        for (int i = 0; i < nx; ++i) out[i] += w[static_cast<std::size_t>(a)] * (lo[i] + hi[i]);
      }
    }
  });
  // z, one plane of constant j at a time.
  parallelFor(ny, [&](int j) {
    std::vector<float> plane(row * static_cast<std::size_t>(nz));
    for (int k = 0; k < nz; ++k) {
      const float* in = image.v.data() + image.offset(0, j, k);
      std::copy(in, in + nx, plane.begin() + static_cast<std::ptrdiff_t>(static_cast<std::size_t>(k) * row));
    }
    for (int k = 0; k < nz; ++k) {
      float* out = image.v.data() + image.offset(0, j, k);
      const float* mid = plane.data() + static_cast<std::size_t>(k) * row;
      for (int i = 0; i < nx; ++i) out[i] = w[0] * mid[i];
      for (int a = 1; a <= radius; ++a) {
        const float* lo = plane.data() + static_cast<std::size_t>(std::max(0, k - a)) * row;
        const float* hi = plane.data() + static_cast<std::size_t>(std::min(nz - 1, k + a)) * row;
        for (int i = 0; i < nx; ++i) out[i] += w[static_cast<std::size_t>(a)] * (lo[i] + hi[i]);
      }
    }
  });
}

Overview surveyScan(const CtVolume& ct) {
  Overview out;
  const Grid& g = ct.grid;
  Eigen::Vector3i block, size;
  for (int a = 0; a < 3; ++a) {
    block[a] = std::max(1, static_cast<int>(std::lround(2.0 / g.spacing[a])));
    size[a] = (g.size[a] + block[a] - 1) / block[a];
  }
  std::vector<float> mean(static_cast<std::size_t>(size.prod()));
  const auto at = [&](int i, int j, int k) {
    return (static_cast<std::size_t>(k) * static_cast<std::size_t>(size.y()) + static_cast<std::size_t>(j)) *
               static_cast<std::size_t>(size.x()) +
           static_cast<std::size_t>(i);
  };
  parallelFor(size.z(), [&](int bk) {
    std::vector<double> sum(static_cast<std::size_t>(size.x()) * static_cast<std::size_t>(size.y()), 0.0);
    std::vector<int> n(sum.size(), 0);
    for (int k = bk * block.z(); k < std::min(g.size.z(), (bk + 1) * block.z()); ++k)
      for (int j = 0; j < g.size.y(); ++j) {
        const std::int16_t* row = ct.voxels.data() + g.offset(0, j, k);
        const std::size_t base = static_cast<std::size_t>(j / block.y()) * static_cast<std::size_t>(size.x());
        for (int i = 0; i < g.size.x(); ++i) {
          const std::size_t b = base + static_cast<std::size_t>(i / block.x());
          sum[b] += row[i];
          ++n[b];
        }
      }
    for (std::size_t b = 0; b < sum.size(); ++b)
      mean[static_cast<std::size_t>(bk) * sum.size() + b] = static_cast<float>(sum[b] / std::max(1, n[b]));
  });

  // Soft tissue: the mode between fat and unenhanced muscle; water-like values are preferred to fat so that a fatty
  // foot does not shift the level by 140 HU.
  std::vector<double> histogram(300, 0.0);  // 10 HU bins from -1000
  for (const float m : mean) {
    const int bin = static_cast<int>((static_cast<double>(m) + 1000) / 10);
    if (bin >= 0 && bin < 300) histogram[static_cast<std::size_t>(bin)] += 1;
  }
  const auto mode = [&](int from, int to) {
    int best = from;
    double most = -1;
    for (int b = std::max(from, 1); b < std::min(to, 299); ++b) {
      const auto u = static_cast<std::size_t>(b);
      const double value = histogram[u - 1] + 2 * histogram[u] + histogram[u + 1];
      if (value > most) most = value, best = b;
    }
    return std::pair{-1000 + 10.0 * best + 5, most};
  };
  const double total = static_cast<double>(mean.size());
  const auto [water, water_count] = mode(98, 114);
  const auto [fat, fat_count] = mode(80, 120);
  if (water_count > 0.02 * total || water_count > 0.3 * fat_count) {
    out.levels.soft = water;
  } else if (fat_count > 0.01 * total) {
    out.levels.soft = fat;
  } else {
    out.levels.soft = mode(0, 110).first;  // bones in air or in something else
  }

  // Noise: differences of neighbours along x within soft tissue, robustly.
  std::vector<float> differences;
  const auto stride = static_cast<std::size_t>(std::max<std::size_t>(1, g.count() / 400000));
  for (std::size_t n = 0; n + 1 < ct.voxels.size(); n += stride) {
    const int a = ct.voxels[n], b = ct.voxels[n + 1];
    if (std::abs(0.5 * (a + b) - out.levels.soft) < 100) differences.push_back(static_cast<float>(std::abs(a - b)));
  }
  if (differences.size() > 100) {
    const auto middle = static_cast<double>(median(std::move(differences)));
    out.levels.noise = std::clamp(middle / 0.6745 / std::numbers::sqrt2, 2.0, 150.0);
  }

  // Bone: well above soft tissue. `bright` from the blocks' upper half; blocks are diluted, so single voxels go higher.
  std::vector<float> above;
  const double least = std::max(110.0, 2.5 * out.levels.noise);
  for (const float m : mean) {
    out.maximum = std::max(out.maximum, static_cast<double>(m));
    if (static_cast<double>(m) > out.levels.soft + least) above.push_back(m);
  }
  if (!above.empty()) {
    const auto q = above.begin() + static_cast<std::ptrdiff_t>(0.7 * static_cast<double>(above.size()));
    std::nth_element(above.begin(), q, above.end());
    out.levels.bright = std::max(static_cast<double>(*q), out.levels.soft + 200);
  }
  out.levels.bone = out.levels.soft + std::clamp(0.35 * (out.levels.bright - out.levels.soft), 100.0, 260.0);

  // Clusters: blocks of bone grown by two blocks, so that neighbours within about 6 mm are connected.
  std::vector<std::uint8_t> bone(mean.size(), 0);
  const double coarse = out.levels.soft + std::max(90.0, 0.5 * (out.levels.bone - out.levels.soft));
  for (std::size_t n = 0; n < mean.size(); ++n) bone[n] = static_cast<double>(mean[n]) > coarse;
  const double block_mm3 = g.spacing.prod() * block.prod();
  std::vector<std::int32_t> piece(mean.size(), -1);
  std::vector<Cluster> found;
  std::vector<std::array<int, 3>> stack;
  constexpr int kReach = 3;  // blocks of 2 mm: a gap of up to 4 mm between block faces is bridged
  for (int k0 = 0; k0 < size.z(); ++k0)
    for (int j0 = 0; j0 < size.y(); ++j0)
      for (int i0 = 0; i0 < size.x(); ++i0) {
        if (!bone[at(i0, j0, k0)] || piece[at(i0, j0, k0)] >= 0) continue;
        const auto id = static_cast<std::int32_t>(found.size());
        Cluster c{{i0, j0, k0}, {i0, j0, k0}, 0, id};
        piece[at(i0, j0, k0)] = id;
        stack.push_back({i0, j0, k0});
        while (!stack.empty()) {
          const auto [i, j, k] = stack.back();
          stack.pop_back();
          const Eigen::Vector3i here(i, j, k);
          c.low = c.low.cwiseMin(here);
          c.high = c.high.cwiseMax(here);
          c.bone_mm3 += block_mm3;
          for (int dk = -kReach; dk <= kReach; ++dk)
            for (int dj = -kReach; dj <= kReach; ++dj)
              for (int di = -kReach; di <= kReach; ++di) {
                const int a = i + di, b = j + dj, d = k + dk;
                if (di * di + dj * dj + dk * dk > kReach * kReach + 1) continue;
                if (a < 0 || b < 0 || d < 0 || a >= size.x() || b >= size.y() || d >= size.z()) continue;
                const std::size_t n = at(a, b, d);
                if (!bone[n] || piece[n] >= 0) continue;
                piece[n] = id;
                stack.push_back({a, b, d});
              }
        }
        out.bone_mm3 += c.bone_mm3;
        found.push_back(c);
      }
  std::stable_sort(found.begin(), found.end(),
                   [](const Cluster& a, const Cluster& b) { return a.bone_mm3 > b.bone_mm3; });
  for (auto& c : found) {
    if (c.bone_mm3 < 500) break;
    c.low = c.low.cwiseProduct(block);
    c.high = (c.high + Eigen::Vector3i::Ones()).cwiseProduct(block) - Eigen::Vector3i::Ones();
    c.high = c.high.cwiseMin(g.size - Eigen::Vector3i::Ones());
    out.clusters.push_back(c);
  }
  out.block = block;
  out.blocks = size;
  out.component = std::move(piece);
  return out;
}

namespace {

/// Sets the voxels of these components, and of the blocks beside theirs, to the level of soft tissue.
void hide(ScanImage& scan, const Overview& overview, const std::vector<std::int32_t>& components) {
  const Eigen::Vector3i& size = overview.blocks;
  std::vector<std::uint8_t> hidden(overview.component.size(), 0);
  const auto at = [&](int i, int j, int k) {
    return (static_cast<std::size_t>(k) * static_cast<std::size_t>(size.y()) + static_cast<std::size_t>(j)) *
               static_cast<std::size_t>(size.x()) +
           static_cast<std::size_t>(i);
  };
  for (int k = 0; k < size.z(); ++k)
    for (int j = 0; j < size.y(); ++j)
      for (int i = 0; i < size.x(); ++i) {
        if (std::find(components.begin(), components.end(), overview.component[at(i, j, k)]) == components.end())
          continue;
        // Blocks at the border hold too little bone to count as such; clusters are farther apart than this reaches.
        for (int c = std::max(0, k - 1); c <= std::min(size.z() - 1, k + 1); ++c)
          for (int b = std::max(0, j - 1); b <= std::min(size.y() - 1, j + 1); ++b)
            for (int a = std::max(0, i - 1); a <= std::min(size.x() - 1, i + 1); ++a) hidden[at(a, b, c)] = 1;
      }
  Image& image = scan.grey;
  const auto soft = static_cast<float>(overview.levels.soft);
  parallelFor(image.size.z(), [&](int k) {
    for (int j = 0; j < image.size.y(); ++j)
      for (int i = 0; i < image.size.x(); ++i) {
        const Vec3 q = scan.toCtIndex(image.h * Vec3(i, j, k));
        Eigen::Vector3i b;
        for (int a = 0; a < 3; ++a)
          b[a] = std::clamp(static_cast<int>(std::lround(q[a])) / overview.block[a], 0, size[a] - 1);
        if (hidden[at(b.x(), b.y(), b.z())]) image.v[image.offset(i, j, k)] = soft;
      }
  });
}

}  // namespace

ScanImage cutOut(const CtVolume& ct, const Overview& overview, const Cluster& cluster,
                 const std::vector<std::int32_t>& others) {
  ScanImage out;
  out.levels = overview.levels;
  const Grid& g = ct.grid;
  constexpr double kMargin = 4.0;
  for (int a = 0; a < 3; ++a) {
    const int m = static_cast<int>(std::ceil(kMargin / g.spacing[a]));
    out.ct_low[a] = std::max(0, cluster.low[a] - m);
    out.ct_high[a] = std::min(g.size[a] - 1, cluster.high[a] + m);
    if (out.ct_high[a] - out.ct_low[a] < 4) {  // thinner than a kernel: take what there is
      out.ct_low[a] = std::max(0, out.ct_low[a] - 4);
      out.ct_high[a] = std::min(g.size[a] - 1, out.ct_high[a] + 4);
    }
  }
  const double finest = g.spacing.minCoeff(), coarsest = g.spacing.maxCoeff();
  const bool native = coarsest / finest < 1.02 && finest > 0.42 && finest < 0.62;
  const double h = native ? g.spacing.mean() : 0.5;
  out.grey.h = h;
  const Eigen::Vector3i n_in = out.ct_high - out.ct_low + Eigen::Vector3i::Ones();
  for (int a = 0; a < 3; ++a)
    out.grey.size[a] =
        native ? n_in[a] : std::max(2, static_cast<int>(std::floor((n_in[a] - 1) * g.spacing[a] / h + 1e-9)) + 1);
  out.ct_from_local_scale = g.spacing.cwiseInverse();
  out.ct_from_local_shift = out.ct_low.cast<double>();
  // A left-handed grid would make the local frame a mirror image; reverse its last axis.
  Mat3 direction = g.direction;
  const bool turned = direction.determinant() < 0;
  if (turned) {
    direction.col(2) *= -1;
    out.ct_from_local_scale.z() *= -1;
    out.ct_from_local_shift.z() = out.ct_high.z();
  }
  out.X_PL.linear() = direction;
  out.X_PL.translation() = g.toPatient(out.ct_from_local_shift);
  for (int a = 0; a < 3; ++a) {
    out.scan_border[static_cast<std::size_t>(2 * a)] = out.ct_low[a] == 0;
    out.scan_border[static_cast<std::size_t>(2 * a + 1)] = out.ct_high[a] == g.size[a] - 1;
  }
  if (turned) std::swap(out.scan_border[4], out.scan_border[5]);

  const int nx = out.grey.size.x(), ny = out.grey.size.y(), nz = out.grey.size.z();
  out.grey.v.resize(static_cast<std::size_t>(nx) * static_cast<std::size_t>(ny) * static_cast<std::size_t>(nz));
  const auto source_k = [&](int k) { return turned ? out.ct_high.z() - k : out.ct_low.z() + k; };
  if (native) {
    parallelFor(nz, [&](int k) {
      for (int j = 0; j < ny; ++j) {
        const std::int16_t* in = ct.voxels.data() + g.offset(out.ct_low.x(), out.ct_low.y() + j, source_k(k));
        float* to = out.grey.v.data() + out.grey.offset(0, j, k);
        for (int i = 0; i < nx; ++i) to[i] = static_cast<float>(in[i]);
      }
    });
  } else {
    const LineKernel kx = lineKernel(n_in.x(), nx, g.spacing.x(), h, 0);
    const LineKernel ky = lineKernel(n_in.y(), ny, g.spacing.y(), h, 0);
    const LineKernel kz = lineKernel(n_in.z(), nz, g.spacing.z(), h, 0);
    // Slices resampled in plane first (as int16 would lose precision, they stay float), then combined along z.
    std::vector<std::vector<float>> slices(static_cast<std::size_t>(n_in.z()));
    parallelFor(n_in.z(), [&](int k) {
      std::vector<float> half(static_cast<std::size_t>(nx) * static_cast<std::size_t>(n_in.y()));
      for (int j = 0; j < n_in.y(); ++j) {
        const std::int16_t* in = ct.voxels.data() + g.offset(out.ct_low.x(), out.ct_low.y() + j, source_k(k));
        for (int i = 0; i < nx; ++i) {
          const auto u = static_cast<std::size_t>(i);
          float sum = 0;
          for (int a = 0; a < kx.taps; ++a)
            sum += kx.weight[u][static_cast<std::size_t>(a)] *
                   static_cast<float>(in[std::clamp(kx.first[u] + a, 0, n_in.x() - 1)]);
          half[static_cast<std::size_t>(j) * static_cast<std::size_t>(nx) + u] = sum;
        }
      }
      auto& slice = slices[static_cast<std::size_t>(k)];
      slice.assign(static_cast<std::size_t>(nx) * static_cast<std::size_t>(ny), 0.0F);
      for (int j = 0; j < ny; ++j) {
        const auto u = static_cast<std::size_t>(j);
        float* to = slice.data() + u * static_cast<std::size_t>(nx);
        for (int a = 0; a < ky.taps; ++a) {
          const float* from = half.data() + static_cast<std::size_t>(std::clamp(ky.first[u] + a, 0, n_in.y() - 1)) *
                                                static_cast<std::size_t>(nx);
          const float w = ky.weight[u][static_cast<std::size_t>(a)];
          for (int i = 0; i < nx; ++i) to[i] += w * from[i];
        }
      }
    });
    parallelFor(nz, [&](int k) {
      const auto u = static_cast<std::size_t>(k);
      float* to = out.grey.v.data() + out.grey.offset(0, 0, k);
      const std::size_t n = static_cast<std::size_t>(nx) * static_cast<std::size_t>(ny);
      std::fill(to, to + n, 0.0F);
      for (int a = 0; a < kz.taps; ++a) {
        const auto& from = slices[static_cast<std::size_t>(std::clamp(kz.first[u] + a, 0, n_in.z() - 1))];
        const float w = kz.weight[u][static_cast<std::size_t>(a)];
        for (std::size_t i = 0; i < n; ++i) to[i] += w * from[i];
      }
    });
  }
  if (!others.empty()) hide(out, overview, others);
  out.calm = out.grey;
  // Enough smoothing that noise stays a small part of the bone's contrast, no more: joint gaps are half a millimetre
  // wide.
  const double contrast = overview.levels.bright - overview.levels.soft;
  out.calm_sigma_mm = overview.levels.noise > 0.06 * contrast ? 0.45 : 0.3;
  smooth(out.calm, out.calm_sigma_mm);
  return out;
}

bool ScanImage::nearScanBorder(const Vec3& local, double margin_mm) const {
  for (int a = 0; a < 3; ++a) {
    if (scan_border[static_cast<std::size_t>(2 * a)] && local[a] < margin_mm) return true;
    if (scan_border[static_cast<std::size_t>(2 * a + 1)] && grey.h * (grey.size[a] - 1) - local[a] < margin_mm)
      return true;
  }
  return false;
}

}  // namespace rayset::bones
