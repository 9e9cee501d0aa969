#include "phantom/metal.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <memory>
#include <numbers>

#include "base/counter_random.h"
#include "geometry/distance_field.h"
#include "geometry/ray_caster.h"
#include "geometry/triangle.h"
#include "phantom/beam.h"

namespace rayset {
namespace {

constexpr int kViews = 540;  // over half a turn: 0.6 mm apart at 100 mm from the centre
/// Beyond this attenuation (natural logarithm) the detector reads its noise floor.
constexpr double kStarvedAt = 8;

/// A small square of metal in the slice: centre (mm from the middle of the picture) and its area of metal, mm^2.
struct Grain {
  double x, y, area;
};

std::vector<Grain> metalOf(const std::vector<SteelBody>& steel, const MetalSlice& s) {
  std::vector<Grain> grains;
  const Grid& grid = s.grid;
  constexpr int kFine = 3;
  const double step = grid.spacing.x() / kFine;
  for (const SteelBody& body : steel) {
    // The pixels that the body's box may touch.
    Eigen::AlignedBox3d box;
    for (int corner = 0; corner < 8; ++corner)
      box.extend(grid.toIndex(body.box.corner(static_cast<Box::CornerType>(corner))));
    const double reach = grid.spacing.x();
    double thick = 0;
    for (const auto& [offset, weight] : s.profile) thick = std::max(thick, std::abs(offset));
    if (s.slice < box.min().z() - thick - reach / grid.spacing.z() ||
        s.slice > box.max().z() + thick + reach / grid.spacing.z())
      continue;
    const auto low = [&](int a) {
      return std::max(0, static_cast<int>(std::floor(box.min()[a] - reach / grid.spacing[a])));
    };
    const auto high = [&](int a) {
      return std::min(grid.size[a] - 1, static_cast<int>(std::ceil(box.max()[a] + reach / grid.spacing[a])));
    };
    for (int j = low(1); j <= high(1); ++j)
      for (int i = low(0); i <= high(0); ++i)
        for (int n = 0; n < kFine * kFine; ++n) {
          const double x = i + (n % kFine - (kFine - 1) / 2.0) / kFine, y = j + (n / kFine - (kFine - 1) / 2.0) / kFine;
          double share = 0;
          for (const auto& [offset, weight] : s.profile)
            share += static_cast<double>(weight) *
                     std::clamp(0.5 - body.distance(grid.toPatient(Vec3(x, y, s.slice + offset))) / step, 0.0, 1.0);
          if (share > 1e-4)
            grains.push_back({(x - (grid.size.x() - 1) / 2.0) * grid.spacing.x(),
                              (y - (grid.size.y() - 1) / 2.0) * grid.spacing.y(), share * step * step});
        }
  }
  return grains;
}

}  // namespace

double Staple::distance(const Vec3& p) const {
  return std::min({segmentDistance(p, a, b), segmentDistance(p, a, a + leg_mm * into),
                   segmentDistance(p, b, b + leg_mm * into)}) -
         wire_mm / 2;
}

SteelBody steelBody(const Staple& staple) {
  SteelBody out{[staple](const Vec3& p) { return staple.distance(p); }, {}};
  const Vec3 radius = Vec3::Constant(staple.wire_mm / 2);
  for (const Vec3& end : {staple.a, staple.b})
    for (const double leg : {0.0, staple.leg_mm}) {
      out.box.extend(Vec3(end + leg * staple.into + radius));
      out.box.extend(Vec3(end + leg * staple.into - radius));
    }
  return out;
}

SteelBody steelBody(const Surface& surface) {
  auto field = std::make_shared<const DistanceField>(surface, 0.15, 1.0);
  return {[field](const Vec3& p) { return field->value(p); }, bounds(surface)};
}

Staple stapleIn(const Surface& bone, const Frame& frame) {
  const RayCaster caster({&bone});
  const Vec3 centre = centroid(bone);
  double low = 1e9, high = -1e9;
  for (const Vec3& v : bone.vertices) {
    low = std::min(low, (v - centre).dot(frame.distal));
    high = std::max(high, (v - centre).dot(frame.distal));
  }
  const double bridge = std::min(14.0, 0.45 * (high - low));
  // The cortex where each leg goes in, and how thick the bone is there.
  double out = -1e9, depth = 1e9;
  for (const double side : {-0.5, 0.5}) {
    const auto hit = caster.all(centre + side * bridge * frame.distal + 100 * frame.lateral(), frame.medial);
    if (hit.empty()) continue;
    out = std::max(out, 100 - hit.front().distance);
    depth = std::min(depth, hit.back().distance - hit.front().distance);
  }
  Staple staple;
  const Vec3 top = centre + (out + staple.wire_mm / 2) * frame.lateral();
  staple.a = top - bridge / 2 * frame.distal;
  staple.b = top + bridge / 2 * frame.distal;
  staple.into = frame.medial;
  staple.leg_mm = std::min(16.0, 0.8 * depth);
  return staple;
}

bool addMetal(std::vector<float>& hu, const std::vector<SteelBody>& steel, const MetalSlice& s) {
  const std::vector<Grain> grains = metalOf(steel, s);
  if (grains.empty()) return false;
  const int nx = s.grid.size.x(), ny = s.grid.size.y();
  const double pixel = s.grid.spacing.x();
  const double step = pixel / 2;  // of the detector
  const int half = static_cast<int>(std::ceil(std::hypot(nx, ny) / 2 * pixel / step)) + 2, bins = 2 * half + 1;
  const std::vector<double> filter = beam::rampFilter(bins, step, s.blur_sigma_mm);
  const double water = beam::perMm(beam::kWater);
  const beam::WaterCorrection corrected;
  // Noise of a ray without metal that makes noise_hu in the picture: back-projection adds kViews independent rays.
  double power = filter[0] * filter[0];
  for (std::size_t n = 1; n < filter.size(); ++n) power += 2 * filter[n] * filter[n];
  const double per_view = std::numbers::pi / kViews * step;
  const double ray_variance = std::pow(s.noise_hu * water / 1000, 2) / (kViews * per_view * per_view * power);

  const std::vector<float> before = hu;
  const auto tissue = [&](double x, double y) {  // line integrand per mm, of the picture without metal
    const double u = x / pixel + (nx - 1) / 2.0, v = y / pixel + (ny - 1) / 2.0;
    if (u < 0 || v < 0 || u > nx - 1.001 || v > ny - 1.001) return 0.0;
    const int i = static_cast<int>(u), j = static_cast<int>(v);
    const double a = u - i, b = v - j;
    const float* p = before.data() + static_cast<std::size_t>(j) * static_cast<std::size_t>(nx) + i;
    const double value = (1 - b) * ((1 - a) * static_cast<double>(p[0]) + a * static_cast<double>(p[1])) +
                         b * ((1 - a) * static_cast<double>(p[nx]) + a * static_cast<double>(p[nx + 1]));
    return water * std::max(0.0, 1 + value / 1000);
  };
  const double long_way = std::hypot(nx, ny) / 2 * pixel;
  std::vector<double> iron(static_cast<std::size_t>(bins));
  std::vector<float> filtered(static_cast<std::size_t>(bins));
  for (int view = 0; view < kViews; ++view) {
    const double angle = std::numbers::pi * view / kViews;
    const double c = std::cos(angle), d = std::sin(angle);
    std::fill(iron.begin(), iron.end(), 0.0);
    int first = bins, last = -1;
    for (const Grain& g : grains) {
      const double t = (g.x * c + g.y * d) / step + half;
      const int n = static_cast<int>(t);
      if (n < 0 || n + 1 >= bins) continue;
      const double share = t - n;
      iron[static_cast<std::size_t>(n)] += (1 - share) * g.area / step;
      iron[static_cast<std::size_t>(n + 1)] += share * g.area / step;
      first = std::min(first, n);
      last = std::max(last, n + 1);
    }
    std::fill(filtered.begin(), filtered.end(), 0.0F);
    for (int n = first; n <= last; ++n) {
      const double metal = iron[static_cast<std::size_t>(n)];
      if (metal <= 0) continue;
      const double offset = (n - half) * step;
      double body = 0;
      for (double along = -long_way; along <= long_way; along += pixel)
        body += pixel * tissue(offset * c - along * d, offset * d + along * c);
      const double alone = beam::reading(body, beam::kIron, 0);
      const double taken = std::min(kStarvedAt, beam::reading(body, beam::kIron, metal) - alone);
      double added = corrected(alone + taken) - body;
      if (ray_variance > 0) {
        const std::uint64_t counter = counterHash(s.seed + static_cast<std::uint64_t>(s.slice) * 0x9E3779B9ULL) +
                                      static_cast<std::uint64_t>(view) * static_cast<std::uint64_t>(bins) +
                                      static_cast<std::uint64_t>(n);
        added += std::sqrt(ray_variance * std::expm1(taken)) * static_cast<double>(normalPair(counter)[0]);
      }
      for (int m = 0; m < bins; ++m)
        filtered[static_cast<std::size_t>(m)] +=
            static_cast<float>(added * filter[static_cast<std::size_t>(std::abs(m - n))]);
    }
    if (last < 0) continue;
    const float scale = static_cast<float>(per_view * 1000 / water);
    beam::backProject(hu, nx, ny, pixel, filtered, half, step, c, d, scale);
  }
  return true;
}

}  // namespace rayset
