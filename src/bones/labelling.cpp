#include "bones/labelling.h"

#include <tbb/parallel_for.h>

#include <algorithm>
#include <cmath>

#include "geometry/distance_field.h"

namespace rayset::bones {
namespace {

constexpr double kFar = 6.0;        ///< mm outside every template: surely another bone
constexpr double kReach = 6.0;      ///< mm outside its template a bone may extend
constexpr double kSheetCut = 0.12;  ///< a core does not extend across a sheet deeper than this fraction of the contrast
constexpr double kBarrier = 25.0;  ///< cost of a sheet as deep as the bone's contrast, per mm, against 1 for plain bone
constexpr double kBucket = 0.02;

double smoothStep(double t) {
  t = std::clamp(t, 0.0, 1.0);
  return t * t * (3 - 2 * t);
}

}  // namespace

Labelling labelBones(const ScanImage& scan, const std::vector<std::uint8_t>& exterior,
                     const std::vector<DeformedBone>& bones, const std::vector<double>& core_mm) {
  const Image& image = scan.calm;
  const double h = image.h;
  Labelling out;
  out.labels.assign(image.count(), 0);
  out.touching.assign(bones.size(), 0.0F);

  // Distance to each fitted template on the image grid around it.
  struct Field {
    Eigen::Vector3i low, size;
    std::vector<float> d;
    std::uint8_t label = 0;
  };
  std::vector<Field> fields(bones.size());
  constexpr double kBand = 7.0;
  tbb::parallel_for(std::size_t{0}, bones.size(), [&](std::size_t b) {
    if (!bones[b].found) return;
    Field& f = fields[b];
    f.label = label(bones[b].id);
    const DistanceField field(bones[b].mesh, 0.8, kBand);
    Box box = bounds(bones[b].mesh);
    for (int a = 0; a < 3; ++a) {
      f.low[a] = std::clamp(static_cast<int>(std::floor((box.min()[a] - kBand) / h)), 0, image.size[a] - 1);
      const int high = std::clamp(static_cast<int>(std::ceil((box.max()[a] + kBand) / h)), 0, image.size[a] - 1);
      f.size[a] = high - f.low[a] + 1;
    }
    f.d.resize(static_cast<std::size_t>(f.size.prod()));
    std::size_t n = 0;
    for (int k = 0; k < f.size.z(); ++k)
      for (int j = 0; j < f.size.y(); ++j)
        for (int i = 0; i < f.size.x(); ++i)
          f.d[n++] = static_cast<float>(field.value(h * (f.low + Eigen::Vector3i(i, j, k)).cast<double>()));
  });
  const auto distance = [&](std::size_t b, int i, int j, int k) {
    const Field& f = fields[b];
    const int x = i - f.low.x(), y = j - f.low.y(), z = k - f.low.z();
    if (x < 0 || y < 0 || z < 0 || x >= f.size.x() || y >= f.size.y() || z >= f.size.z())
      return static_cast<float>(kBand);
    return f.d[(static_cast<std::size_t>(z) * static_cast<std::size_t>(f.size.y()) + static_cast<std::size_t>(y)) *
                   static_cast<std::size_t>(f.size.x()) +
               static_cast<std::size_t>(x)];
  };

  // The nearest template of every voxel (its index, 255 none) and how far.
  std::vector<float> nearest(image.count(), static_cast<float>(kBand));
  std::vector<std::uint8_t> which(image.count(), 255);
  for (std::size_t b = 0; b < bones.size(); ++b) {
    if (!bones[b].found) continue;
    const Field& f = fields[b];
    tbb::parallel_for(0, f.size.z(), [&](int z) {
      for (int y = 0; y < f.size.y(); ++y)
        for (int x = 0; x < f.size.x(); ++x) {
          const std::size_t n = image.offset(f.low.x() + x, f.low.y() + y, f.low.z() + z);
          const float d =
              f.d[(static_cast<std::size_t>(z) * static_cast<std::size_t>(f.size.y()) + static_cast<std::size_t>(y)) *
                      static_cast<std::size_t>(f.size.x()) +
                  static_cast<std::size_t>(x)];
          if (d < nearest[n]) nearest[n] = d, which[n] = static_cast<std::uint8_t>(b);
        }
    });
  }

  // What may be labelled: everything that is not soft tissue outside; dark pockets enclosed between bones are not bone
  // either, unless they lie inside a template (marrow).
  const auto level = static_cast<float>(scan.levels.bone);
  const auto isBone = [&](std::size_t n) {
    if (exterior[n]) return false;
    return image.v[n] >= level || nearest[n] < -0.4F;
  };
  const double contrast = scan.levels.bright - scan.levels.soft;

  constexpr std::uint8_t kOtherIndex = 254;
  std::vector<std::uint8_t> who(image.count(), 255);
  std::vector<float> arrival(image.count(), 1e9F);
  std::vector<std::vector<std::uint32_t>> buckets(1);
  const auto push = [&](std::size_t n, double cost) {
    const auto slot = static_cast<std::size_t>(cost / kBucket);
    if (slot >= buckets.size()) buckets.resize(slot + 1);
    buckets[slot].push_back(static_cast<std::uint32_t>(n));
  };
  const int nx = image.size.x(), ny = image.size.y(), nz = image.size.z();
  std::vector<float> sheet(image.count(), -1.0F);
  const double sheet_sigma = std::max(0.5, scan.calm_sigma_mm);
  const auto sheetAt = [&](std::size_t n, int i, int j, int k) {
    if (sheet[n] < 0) sheet[n] = darkSheet(image, i, j, k, sheet_sigma);
    return static_cast<double>(sheet[n]) / contrast;
  };
  for (int k = 0; k < nz; ++k)
    for (int j = 0; j < ny; ++j)
      for (int i = 0; i < nx; ++i) {
        const std::size_t n = image.offset(i, j, k);
        if (exterior[n]) continue;
        const float d = nearest[n];
        if (which[n] != 255 && static_cast<double>(d) < -core_mm[which[n]]) {
          // A poorly fitted template may reach across a joint; near its surface its core stops at the gap.
          if (static_cast<double>(d) > -4.0 && sheetAt(n, i, j, k) > kSheetCut) continue;
          who[n] = which[n];
        } else if (d > static_cast<float>(kFar) && image.v[n] >= level) {
          who[n] = kOtherIndex;
        } else {
          continue;
        }
      }
  // Of each core only the largest piece counts.
  {
    std::vector<std::uint32_t> stack, piece;
    std::vector<std::uint8_t> seen(image.count(), 0);
    std::vector<std::vector<std::uint32_t>> largest(bones.size());
    const auto sx = std::ptrdiff_t{1}, sy = static_cast<std::ptrdiff_t>(nx), sz = sy * ny;
    for (std::size_t n = 0; n < who.size(); ++n) {
      if (who[n] >= bones.size() || seen[n]) continue;
      const std::uint8_t b = who[n];
      piece.clear();
      stack.push_back(static_cast<std::uint32_t>(n));
      seen[n] = 1;
      while (!stack.empty()) {
        const std::uint32_t q = stack.back();
        stack.pop_back();
        piece.push_back(q);
        for (const std::ptrdiff_t d : {sx, -sx, sy, -sy, sz, -sz}) {
          const std::ptrdiff_t t = static_cast<std::ptrdiff_t>(q) + d;
          if (t < 0 || t >= static_cast<std::ptrdiff_t>(who.size())) continue;
          const auto u = static_cast<std::size_t>(t);
          if (who[u] != b || seen[u]) continue;
          seen[u] = 1;
          stack.push_back(static_cast<std::uint32_t>(u));
        }
      }
      if (piece.size() > largest[b].size()) largest[b] = piece;
    }
    for (auto& w : who)
      if (w < bones.size()) w = 255;
    for (std::size_t b = 0; b < bones.size(); ++b)
      for (const std::uint32_t n : largest[b]) who[n] = static_cast<std::uint8_t>(b);
  }
  for (std::size_t n = 0; n < who.size(); ++n)
    if (who[n] != 255) {
      arrival[n] = 0;
      buckets[0].push_back(static_cast<std::uint32_t>(n));
    }
  std::array<std::ptrdiff_t, 26> step{};
  std::array<std::array<int, 3>, 26> offset{};
  std::array<double, 26> length{};
  std::size_t m = 0;
  for (int c = -1; c <= 1; ++c)
    for (int b = -1; b <= 1; ++b)
      for (int a = -1; a <= 1; ++a) {
        if (a == 0 && b == 0 && c == 0) continue;
        offset[m] = {a, b, c};
        step[m] = (static_cast<std::ptrdiff_t>(c) * ny + b) * nx + a;
        length[m] = h * std::sqrt(a * a + b * b + c * c);
        ++m;
      }
  for (std::size_t slot = 0; slot < buckets.size(); ++slot) {
    for (std::size_t q = 0; q < buckets[slot].size(); ++q) {
      const std::size_t n = buckets[slot][q];
      if (static_cast<std::size_t>(static_cast<double>(arrival[n]) / kBucket) != slot)
        continue;  // reached sooner meanwhile
      const int i = static_cast<int>(n % static_cast<std::size_t>(nx));
      const int j = static_cast<int>(n / static_cast<std::size_t>(nx) % static_cast<std::size_t>(ny));
      const int k = static_cast<int>(n / (static_cast<std::size_t>(nx) * static_cast<std::size_t>(ny)));
      const std::uint8_t b = who[n];
      for (std::size_t d = 0; d < 26; ++d) {
        const int x = i + offset[d][0], y = j + offset[d][1], z = k + offset[d][2];
        if (x < 0 || y < 0 || z < 0 || x >= nx || y >= ny || z >= nz) continue;
        const std::size_t to = static_cast<std::size_t>(static_cast<std::ptrdiff_t>(n) + step[d]);
        if (arrival[to] <= arrival[n] || !isBone(to)) continue;
        const double s = std::max(0.0, sheetAt(to, x, y, z) - 0.05);
        double cost = 1;
        if (b == kOtherIndex) {
          cost += kBarrier * s;
        } else {
          const double depth = static_cast<double>(distance(b, x, y, z));
          if (depth > kReach) continue;
          // Inside its own template a bone passes its marrow freely; outside every millimetre costs more.
          cost += kBarrier * s * smoothStep((depth + 2.0) / 1.6) + 0.7 * std::max(0.0, depth - 0.5);
        }
        const double reached = static_cast<double>(arrival[n]) + length[d] * cost;
        if (reached >= static_cast<double>(arrival[to]) - 1e-6) continue;
        arrival[to] = static_cast<float>(reached);
        who[to] = b;
        push(to, static_cast<double>(arrival[to]));
      }
    }
    std::vector<std::uint32_t>().swap(buckets[slot]);
  }
  for (std::size_t n = 0; n < who.size(); ++n) {
    if (who[n] == 255) continue;
    out.labels[n] = who[n] == kOtherIndex ? kOther : fields[who[n]].label;
  }
  // How much of each bone's border lies against another bone.
  std::array<double, 256> border{}, against{};
  for (int k = 1; k < nz - 1; ++k)
    for (int j = 1; j < ny - 1; ++j)
      for (int i = 1; i < nx - 1; ++i) {
        const std::size_t n = image.offset(i, j, k);
        const std::uint8_t l = out.labels[n];
        if (l == 0) continue;
        for (const std::ptrdiff_t d :
             {std::ptrdiff_t{1}, std::ptrdiff_t{-1}, static_cast<std::ptrdiff_t>(nx), -static_cast<std::ptrdiff_t>(nx),
              static_cast<std::ptrdiff_t>(nx) * ny, -static_cast<std::ptrdiff_t>(nx) * ny}) {
          const std::uint8_t o = out.labels[static_cast<std::size_t>(static_cast<std::ptrdiff_t>(n) + d)];
          if (o == l) continue;
          border[l] += 1;
          if (o != 0) against[l] += 1;
        }
      }
  for (std::size_t b = 0; b < bones.size(); ++b)
    if (bones[b].found && border[fields[b].label] > 0)
      out.touching[b] = static_cast<float>(against[fields[b].label] / border[fields[b].label]);
  return out;
}

}  // namespace rayset::bones
