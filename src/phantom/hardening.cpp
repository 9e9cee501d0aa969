#include "phantom/hardening.h"

#include <algorithm>
#include <cmath>
#include <numbers>

#include "phantom/beam.h"

namespace rayset {
namespace {

constexpr int kViews = 240;        // over half a turn: 1.3 mm apart at 100 mm from the centre
constexpr double kSoftHu = 100;    // above this a pixel holds bone
constexpr double kCoarseMm = 1.0;  // pixels the effect is computed on

/// A line is cut at every pixel's length; values between pixels are bilinear.
struct Plane {
  int nx, ny;
  double pixel;
  std::vector<float> body, bone;  ///< per mm: line integrand of water-like tissue; share of compact bone
};

Plane coarse(const std::vector<float>& hu, int nx, int ny, double pixel_mm) {
  const int factor = std::max(1, static_cast<int>(std::lround(kCoarseMm / pixel_mm)));
  Plane p{(nx + factor - 1) / factor, (ny + factor - 1) / factor, pixel_mm * factor, {}, {}};
  const double water = beam::perMm(beam::kWater), bone = beam::perMm(beam::kBone);
  p.body.assign(static_cast<std::size_t>(p.nx) * static_cast<std::size_t>(p.ny), 0.0F);
  p.bone = p.body;
  for (int j = 0; j < p.ny; ++j)
    for (int i = 0; i < p.nx; ++i) {
      double soft = 0, dense = 0;
      for (int b = 0; b < factor; ++b)
        for (int a = 0; a < factor; ++a) {
          const int x = std::min(nx - 1, i * factor + a), y = std::min(ny - 1, j * factor + b);
          const double value = static_cast<double>(
              hu[static_cast<std::size_t>(y) * static_cast<std::size_t>(nx) + static_cast<std::size_t>(x)]);
          soft += std::max(0.0, 1 + std::min(value, kSoftHu) / 1000);
          dense += std::max(0.0, value - kSoftHu) / 1000;
        }
      const double each = water / (factor * factor);
      const std::size_t n = static_cast<std::size_t>(j) * static_cast<std::size_t>(p.nx) + static_cast<std::size_t>(i);
      p.body[n] = static_cast<float>(soft * each);
      p.bone[n] = static_cast<float>(dense * each / bone);
    }
  return p;
}

}  // namespace

void addBoneHardening(std::vector<float>& hu, int nx, int ny, double pixel_mm) {
  const Plane p = coarse(hu, nx, ny, pixel_mm);
  if (std::none_of(p.bone.begin(), p.bone.end(), [](float v) { return v > 0; })) return;
  const double water = beam::perMm(beam::kWater), bone = beam::perMm(beam::kBone), step = p.pixel;
  const int half = static_cast<int>(std::ceil(std::hypot(p.nx, p.ny) / 2)) + 2, bins = 2 * half + 1;
  const std::vector<double> filter = beam::rampFilter(bins, step, p.pixel / 2);
  const beam::WaterCorrection corrected;
  std::vector<float> added(p.body.size(), 0.0F);
  std::vector<double> body(static_cast<std::size_t>(bins)), dense(static_cast<std::size_t>(bins));
  std::vector<double> wrong(static_cast<std::size_t>(bins));
  std::vector<float> filtered(static_cast<std::size_t>(bins) + 1);
  for (int view = 0; view < kViews; ++view) {
    const double angle = std::numbers::pi * (view + 0.5) / kViews, c = std::cos(angle), d = std::sin(angle);
    std::fill(body.begin(), body.end(), 0.0);
    std::fill(dense.begin(), dense.end(), 0.0);
    for (int j = 0; j < p.ny; ++j)
      for (int i = 0; i < p.nx; ++i) {
        const std::size_t at =
            static_cast<std::size_t>(j) * static_cast<std::size_t>(p.nx) + static_cast<std::size_t>(i);
        if (p.body[at] <= 0 && p.bone[at] <= 0) continue;
        const double t = (i - (p.nx - 1) / 2.0) * c + (j - (p.ny - 1) / 2.0) * d + half;
        const std::size_t n = static_cast<std::size_t>(t);
        const double share = t - static_cast<double>(n);
        for (const auto& [line, value] : {std::pair(&body, p.body[at]), std::pair(&dense, p.bone[at])}) {
          (*line)[n] += (1 - share) * static_cast<double>(value) * p.pixel;
          (*line)[n + 1] += share * static_cast<double>(value) * p.pixel;
        }
      }
    for (std::size_t n = 0; n < wrong.size(); ++n)
      wrong[n] =
          dense[n] > 0 ? corrected(beam::reading(body[n], beam::kBone, dense[n])) - (body[n] + bone * dense[n]) : 0.0;
    for (int m = 0; m < bins; ++m) {
      double sum = 0;
      for (int n = 0; n < bins; ++n)
        sum += wrong[static_cast<std::size_t>(n)] * filter[static_cast<std::size_t>(std::abs(m - n))];
      filtered[static_cast<std::size_t>(m)] = static_cast<float>(sum);
    }
    beam::backProject(added, p.nx, p.ny, p.pixel, filtered, half, step, c, d,
                      static_cast<float>(std::numbers::pi / kViews * step * 1000 / water));
  }
  const double factor = p.pixel / pixel_mm;
  for (int y = 0; y < ny; ++y)
    for (int x = 0; x < nx; ++x) {
      const double u = std::clamp((x + 0.5) / factor - 0.5, 0.0, p.nx - 1.001);
      const double v = std::clamp((y + 0.5) / factor - 0.5, 0.0, p.ny - 1.001);
      const int i = static_cast<int>(u), j = static_cast<int>(v);
      const float a = static_cast<float>(u - i), b = static_cast<float>(v - j);
      const float* q = added.data() + static_cast<std::size_t>(j) * static_cast<std::size_t>(p.nx) + i;
      hu[static_cast<std::size_t>(y) * static_cast<std::size_t>(nx) + static_cast<std::size_t>(x)] +=
          (1 - b) * ((1 - a) * q[0] + a * q[1]) + b * ((1 - a) * q[p.nx] + a * q[p.nx + 1]);
    }
}

}  // namespace rayset
