#include "bones/joint_fit.h"

#include <tbb/blocked_range.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <optional>

#include "geometry/ray_caster.h"

namespace rayset::bones {
namespace {

using Range = tbb::blocked_range<std::size_t>;

constexpr double kBehindMm = 4.0;  ///< how far inside a surface the other one may lie
constexpr double kAheadMm = 2.0;   ///< wider gaps are two separate edges
constexpr double kFacing = 0.5;    ///< cosine: anything that faces a vertex less squarely is no joint

// Prior knowledge, mm: how far off the surfaces are, and how wide joints of a foot are.
constexpr double kMiddleSpread = 1.2, kWidthSpread = 0.6;

constexpr double kStep = 0.2;  // mm between samples of a profile
constexpr int kHalf = 16;
constexpr int kSamples = 2 * kHalf + 1;
using Profile = std::array<float, kSamples>;

double place(std::size_t n) { return (static_cast<double>(n) - kHalf) * kStep; }

enum Unknown { kMiddle, kWidth, kOwnPlate, kOtherPlate, kOwnInside, kOtherInside, kGap, kUnknowns };
using Vector = Eigen::Matrix<double, kUnknowns, 1>;
using Matrix = Eigen::Matrix<double, kUnknowns, kUnknowns>;

struct Expected {
  Vector value, spread;
};

struct Fit {
  double middle = 0, width = 0;  // mm; the middle along the profile
  double width_sd = 1e3;         // mm
  double weight = 0;             // 0 if it carries no information
  Vector at = Vector::Zero();
  double cost = 1e12;
};

struct Scanner {
  double cortex, soft, noise;  // HU; noise of an averaged profile
  double independent;          // samples of the scan per sample of a profile
};

/// Levenberg-Marquardt from `start`; the width stays at zero or above.
Fit fitFrom(const Profile& p, const EdgeResponse& response, const Scanner& scanner, const Expected& expected,
            Vector q) {
  const double cortex = scanner.cortex, contrast = cortex - scanner.soft;
  const double scatter = std::max(scanner.noise, 0.04 * contrast);
  const auto evaluate = [&](const Vector& at, Matrix* H, Vector* g) {
    const double x = at[kMiddle] - 0.5 * at[kWidth], y = at[kMiddle] + 0.5 * at[kWidth];
    const double t = std::exp(at[kOwnPlate]), u = std::exp(at[kOtherPlate]);
    const double a = cortex - at[kOwnInside], b = cortex - at[kOtherInside], o = cortex - at[kGap];
    double cost = 0;
    for (std::size_t n = 0; n < kSamples; ++n) {
      const double s = place(n);
      const auto A = response.at(s - x + t), B = response.at(s - x), C = response.at(s - y), D = response.at(s - y - u);
      const double r = static_cast<double>(p[n]) -
                       (at[kOwnInside] + a * A.cumulative - o * (B.cumulative - C.cumulative) - b * D.cumulative);
      // The model does not cover trabeculae far from the joint.
      const double far = std::max(0.0, std::abs(s) - 1.8) / 0.7;
      const double weight = scanner.independent * std::exp(-0.5 * far * far) / (scatter * scatter);
      cost += weight * r * r;
      if (H == nullptr) continue;
      const double da = a * A.density, db = o * B.density, dc = o * C.density, dd = b * D.density;
      Vector J;
      J[kMiddle] = -da + db - dc + dd;
      J[kWidth] = 0.5 * (da - db - dc + dd);
      J[kOwnPlate] = da * t;
      J[kOtherPlate] = dd * u;
      J[kOwnInside] = 1 - A.cumulative;
      J[kOtherInside] = D.cumulative;
      J[kGap] = B.cumulative - C.cumulative;
      *H += weight * J * J.transpose();
      *g += weight * r * J;
    }
    for (int k = 0; k < kUnknowns; ++k) {
      const double d = (at[k] - expected.value[k]) / expected.spread[k];
      cost += d * d;
      if (H == nullptr) continue;
      (*H)(k, k) += 1 / (expected.spread[k] * expected.spread[k]);
      (*g)[k] -= d / expected.spread[k];
    }
    return cost;
  };
  double damping = 1e-2, cost = evaluate(q, nullptr, nullptr);
  Matrix H = Matrix::Zero();
  for (int iteration = 0; iteration < 12; ++iteration) {
    H.setZero();
    Vector g = Vector::Zero();
    evaluate(q, &H, &g);
    Matrix D = H;
    D.diagonal() *= 1 + damping;
    Vector next = q + D.ldlt().solve(g);
    next[kWidth] = std::clamp(next[kWidth], 0.0, 5.0);
    const double better = evaluate(next, nullptr, nullptr);
    if (!(better < cost)) {
      damping *= 8;
      if (damping > 1e4) break;
      continue;
    }
    const bool done = (next - q).head<2>().cwiseAbs().maxCoeff() < 3e-3 && cost - better < 1e-3 * cost;
    q = next;
    cost = better;
    damping = std::max(1e-4, damping / 4);
    if (done) break;
  }
  Fit fit;
  if (!q.allFinite()) return fit;
  fit.at = q;
  fit.cost = cost;
  fit.middle = q[kMiddle];
  fit.width = q[kWidth];
  // What the grey values show by themselves, without the neighbours' middle and width.
  H(kMiddle, kMiddle) +=
      1 / (kMiddleSpread * kMiddleSpread) - 1 / (expected.spread[kMiddle] * expected.spread[kMiddle]);
  H(kWidth, kWidth) += 1 / (kWidthSpread * kWidthSpread) - 1 / (expected.spread[kWidth] * expected.spread[kWidth]);
  const Matrix covariance = H.inverse();
  fit.width_sd = std::sqrt(std::max(0.0, covariance(kWidth, kWidth)));
  const double misfit = cost / (2.0 * scanner.independent * kSamples);
  fit.weight = 1 / (1 + misfit * misfit);
  return fit;
}

/// What is expected of a place before its grey values are fitted.
Expected expectedAt(const Profile& p, const Scanner& scanner) {
  double own = 0, other = 0;
  constexpr std::size_t kDeep = 5;
  for (std::size_t n = 0; n < kDeep; ++n) {
    own += static_cast<double>(p[n]) / kDeep;
    other += static_cast<double>(p[kSamples - 1 - n]) / kDeep;
  }
  Expected e;
  e.value << 0.0, 0.5, std::log(0.8), std::log(0.8), std::min(own, scanner.cortex), std::min(other, scanner.cortex),
      scanner.soft;
  e.spread << kMiddleSpread, kWidthSpread, 0.5, 0.5, 150.0, 150.0, 60.0;
  return e;
}

/// One surface with what the fit needs to know of it.
struct Side {
  Surface* surface = nullptr;
  std::vector<Vec3> normals;
  VertexRings rings;
  std::vector<Facing> facing;
  std::vector<std::uint32_t> joint;  // vertices that face another surface
  std::vector<double> middle;  // by vertex: mm along the normal to the middle of the joint between the current surfaces
};

/// Mean over a vertex and those of its ring that face the same surface.
template <class Get>
auto ringMean(const Side& side, std::uint32_t v, const Get& get) {
  auto sum = get(v);
  double count = 1;
  for (const std::uint32_t r : side.rings.of(v)) {
    if (side.facing[r].other != side.facing[v].other) continue;
    sum += get(r);
    ++count;
  }
  return decltype(sum)(sum / count);
}

/// Normals that ignore the roughness of the surface.
std::vector<Vec3> calmNormals(const Surface& surface, const VertexRings& rings) {
  std::vector<Vec3> now = vertexNormals(surface), next(now.size());
  for (int pass = 0; pass < 3; ++pass) {
    for (std::size_t v = 0; v < now.size(); ++v) {
      Vec3 sum = now[v];
      for (const std::uint32_t r : rings.of(v)) sum += now[r];
      next[v] = sum.norm() > 1e-9 ? Vec3(sum.normalized()) : now[v];
    }
    now.swap(next);
  }
  return now;
}

/// Fits of one surface, agreed among neighbours: the middle and the width at every joint vertex.
struct Agreed {
  std::vector<double> middle, width, width_sd;  // by vertex
};

void agree(const Side& side, const std::vector<Fit>& fits, double spread_mm, Agreed& out) {
  std::vector<double> middle = out.middle, width = out.width;
  std::vector<double> next_middle(middle), next_width(width);
  for (const std::uint32_t v : side.joint)
    if (fits[v].weight > 0) middle[v] = fits[v].middle, width[v] = fits[v].width;
  constexpr double kJoin = 1.5;
  for (int sweep = 0; sweep < 15; ++sweep) {
    for (const std::uint32_t v : side.joint) {
      double m = 0, w = 0, count = 0;
      for (const std::uint32_t r : side.rings.of(v)) {
        if (side.facing[r].other != side.facing[v].other) continue;
        m += middle[r];
        w += width[r];
        ++count;
      }
      if (count == 0) continue;
      m /= count;
      w /= count;
      const Fit& f = fits[v];
      const double off = (f.middle - m) / spread_mm;
      const double by = f.weight / (1 + off * off);
      next_middle[v] = (by * f.middle + kJoin * m) / (by + kJoin);
      const double width_by = by * std::min(1.0, std::pow(0.15 / std::max(0.05, f.width_sd), 2));
      next_width[v] = (width_by * f.width + kJoin * w) / (width_by + kJoin);
    }
    middle.swap(next_middle);
    width.swap(next_width);
  }
  out.middle = std::move(middle);
  out.width = std::move(width);
}

}  // namespace

std::vector<std::vector<Facing>> fitJoints(const ScanImage& scan, const EdgeModel& model,
                                           const std::vector<Surface*>& surfaces) {
  std::vector<Side> sides(surfaces.size());
  std::vector<const Surface*> all;
  std::vector<Box> boxes;
  for (std::size_t s = 0; s < surfaces.size(); ++s) {
    sides[s].surface = surfaces[s];
    all.push_back(surfaces[s]);
    boxes.push_back(bounds(*surfaces[s]));
  }
  const RayCaster caster(all);
  tbb::parallel_for(std::size_t{0}, sides.size(), [&](std::size_t s) {
    Side& side = sides[s];
    const std::size_t count = side.surface->vertices.size();
    side.rings = vertexRings(*side.surface);
    side.normals = calmNormals(*side.surface, side.rings);
    side.facing.resize(count);
    side.middle.assign(count, 0.0);
    tbb::parallel_for(Range(0, count), [&](const Range& range) {
      for (std::size_t v = range.begin(); v != range.end(); ++v) {
        const Vec3 &p = side.surface->vertices[v], &n = side.normals[v];
        bool near = false;
        for (std::size_t o = 0; o < boxes.size() && !near; ++o)
          near = o != s && boxes[o].squaredExteriorDistance(p) < kAheadMm * kAheadMm;
        if (!near || scan.nearScanBorder(p, 0.9)) continue;
        double nearest = 1e9;
        for (const RayCaster::Hit& hit : caster.all(p - kBehindMm * n, n, kBehindMm + kAheadMm)) {
          if (hit.surface == s || !hit.entering || hit.normal.dot(n) > -kFacing) continue;
          const double at = hit.distance - kBehindMm;
          if (std::abs(at) >= std::abs(nearest)) continue;
          nearest = at;
          side.facing[v].other = static_cast<std::int16_t>(hit.surface);
        }
        if (side.facing[v].other >= 0) side.middle[v] = 0.5 * nearest;
      }
    });
    for (std::size_t v = 0; v < count; ++v)
      if (side.facing[v].other >= 0) side.joint.push_back(static_cast<std::uint32_t>(v));
  });

  const Scanner scanner{model.cortex_hu, scan.levels.soft, 0.5 * scan.levels.noise, std::min(1.0, kStep / scan.grey.h)};
  tbb::parallel_for(std::size_t{0}, sides.size(), [&](std::size_t s) {
    if (model.places == 0) return;
    Side& side = sides[s];
    const std::size_t count = side.surface->vertices.size();
    for (int sweep = 0; sweep < 3; ++sweep) {
      std::vector<double> next = side.middle;
      for (const std::uint32_t v : side.joint)
        next[v] = ringMean(side, v, [&](std::uint32_t r) { return side.middle[r]; });
      side.middle.swap(next);
    }
    using Samples = Eigen::Array<float, kSamples, 1>;
    std::vector<Samples> raw(count);
    tbb::parallel_for(Range(0, side.joint.size()), [&](const Range& range) {
      for (std::size_t q = range.begin(); q != range.end(); ++q) {
        const std::uint32_t v = side.joint[q];
        for (std::size_t n = 0; n < kSamples; ++n)
          raw[v][static_cast<Eigen::Index>(n)] =
              scan.grey.cubic(side.surface->vertices[v] + (side.middle[v] + place(n)) * side.normals[v]);
      }
    });
    std::vector<Profile> calm(count);
    std::vector<Fit> fits(count);
    Agreed agreed;
    agreed.middle.assign(count, 0.0);
    agreed.width.assign(count, 0.5);
    for (int round = 0; round < 2; ++round) {
      tbb::parallel_for(Range(0, side.joint.size()), [&](const Range& range) {
        for (std::size_t q = range.begin(); q != range.end(); ++q) {
          const std::uint32_t v = side.joint[q];
          if (v % 3 != 0) continue;  // borders are smooth: every third vertex carries them
          if (round == 0) {
            const Samples mean = ringMean(side, v, [&](std::uint32_t r) { return raw[r]; });
            std::copy(mean.data(), mean.data() + kSamples, calm[v].begin());
          }
          Expected expected = expectedAt(calm[v], scanner);
          const EdgeResponse response = model.along(side.normals[v]);
          fits[v] = Fit{};
          if (round == 0) {
            for (const double start : {0.0, -1.0, 1.0}) {
              Vector from = expected.value;
              from[kMiddle] = start;
              const Fit fit = fitFrom(calm[v], response, scanner, expected, from);
              if (fit.cost < fits[v].cost) fits[v] = fit;
            }
          } else {
            expected.value[kMiddle] = agreed.middle[v];
            expected.value[kWidth] = agreed.width[v];
            expected.spread[kMiddle] = 0.4;
            expected.spread[kWidth] = 0.3;
            fits[v] = fitFrom(calm[v], response, scanner, expected, expected.value);
          }
        }
      });
      agree(side, fits, round == 0 ? 0.5 : 0.25, agreed);
    }
    for (const std::uint32_t v : side.joint) {
      double uncertainty = 0, count_fits = 0;
      const auto add = [&](std::uint32_t r) {
        if (fits[r].weight <= 0 || side.facing[r].other != side.facing[v].other) return;
        uncertainty += fits[r].width_sd / std::max(0.1, fits[r].weight);  // a misfit is less certain
        ++count_fits;
      };
      add(v);
      for (const std::uint32_t r : side.rings.of(v)) add(r);
      side.facing[v].width_mm = static_cast<float>(std::max(0.0, agreed.width[v]));
      side.facing[v].uncertainty_mm = static_cast<float>(count_fits > 0 ? uncertainty / count_fits : kWidthSpread);
    }
    // To the bone's own border; the surface beside the joint moves along a little, so that no step is left.
    std::vector<double> move(count, 0.0);
    for (const std::uint32_t v : side.joint)
      move[v] = side.middle[v] + agreed.middle[v] - 0.5 * std::max(0.0, agreed.width[v]);
    std::vector<double> next = move;
    for (int sweep = 0; sweep < 10; ++sweep) {
      for (std::size_t v = 0; v < count; ++v) {
        if (side.facing[v].other >= 0) continue;
        double sum = 0;
        const auto ring = side.rings.of(v);
        for (const std::uint32_t r : ring) sum += move[r];
        constexpr double kFollow = 1.5;
        next[v] = kFollow * sum / static_cast<double>(std::max<std::size_t>(1, ring.size())) / (1 + kFollow);
      }
      move.swap(next);
    }
    for (std::size_t v = 0; v < count; ++v) side.surface->vertices[v] += move[v] * side.normals[v];
  });
  std::vector<std::vector<Facing>> out;
  for (Side& side : sides) out.push_back(std::move(side.facing));
  return out;
}

}  // namespace rayset::bones
