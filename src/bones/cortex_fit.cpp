#include "bones/cortex_fit.h"

#include <tbb/blocked_range.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <array>
#include <cmath>

namespace rayset::bones {
namespace {

constexpr double kStep = 0.15;  // mm between samples of a profile
constexpr int kInward = 16, kOutward = 12;
constexpr int kSamples = kInward + kOutward + 1;
using Profile = std::array<double, kSamples>;

double place(int n) { return (n - kInward) * kStep; }

/// Profiles along the normals, each averaged with those of its neighbours.
std::vector<Profile> profilesOf(const ScanImage& scan, const Surface& surface, const std::vector<Vec3>& normals,
                                const VertexRings& near) {
  const std::size_t count = surface.vertices.size();
  std::vector<Profile> raw(count), out(count);
  using Range = tbb::blocked_range<std::size_t>;
  tbb::parallel_for(Range(0, count), [&](const Range& range) {
    for (std::size_t v = range.begin(); v != range.end(); ++v)
      for (int n = 0; n < kSamples; ++n)
        raw[v][static_cast<std::size_t>(n)] =
            static_cast<double>(scan.grey.cubic(surface.vertices[v] + place(n) * normals[v]));
  });
  tbb::parallel_for(Range(0, count), [&](const Range& range) {
    for (std::size_t v = range.begin(); v != range.end(); ++v) {
      out[v] = raw[v];
      const std::uint32_t from = near.first[v], to = near.first[v + 1];
      for (std::uint32_t a = from; a < to; ++a)
        for (std::size_t n = 0; n < kSamples; ++n) out[v][n] += raw[near.ring[a]][n];
      for (double& x : out[v]) x /= static_cast<double>(to - from + 1);
    }
  });
  return out;
}

/// Kernels that are distinguished: how much of the difference to a wider blur they add, and by how much that is wider
/// (in quadrature). Ours; the amounts span edges that overshoot by a twentieth to a sixth.
struct Overshoot {
  double amount, wider_mm;
};
constexpr std::array<Overshoot, 13> kOvershoots{{{0, 0},
                                                 {0.25, 0.5},
                                                 {0.5, 0.5},
                                                 {0.75, 0.5},
                                                 {1, 0.5},
                                                 {0.25, 0.6},
                                                 {0.5, 0.6},
                                                 {0.75, 0.6},
                                                 {1, 0.6},
                                                 {0.25, 0.75},
                                                 {0.5, 0.75},
                                                 {0.75, 0.75},
                                                 {1, 0.75}}};
/// An overshoot is accepted if it makes the profiles cheaper by this share: if the blur is wide, slightly more blur
/// with an overshoot looks almost the same.
constexpr double kCheaper = 0.08;
/// Cancellous bone is at most this part of compact bone above soft tissue: anything brighter 2 mm deep is still cortex.
constexpr double kCancellous = 0.6;
/// An edge that overshoots shows a thin cortex brighter than it is: by about this much of the amount.
constexpr double kBrighter = 0.3;

struct Fit {
  double shift = 0;     // mm along the normal
  double weight = 0;    // 0 if it carries no information
  double cost = 1e9;    // residuals and departure from the priors, about one per sample if the model holds
  double misfit = 1e9;  // the same without what is expected of the thickness
};

/// Levenberg-Marquardt on x, ln t, inside, out and, beside a gap, w.
Fit fitProfile(const Profile& p, const EdgeResponse& response, double cortex, double soft, double noise) {
  // Where the grey value outside is lowest; a clear rise behind it is the bone beyond a joint gap.
  std::size_t lowest = kInward;
  for (std::size_t n = kInward; n < kSamples; ++n)
    if (p[n] < p[lowest]) lowest = n;
  double beyond = p[lowest];
  for (std::size_t n = lowest; n < kSamples; ++n) beyond = std::max(beyond, p[n]);
  const double contrast = cortex - soft;
  // If the kernel overshoots, the dip beside an edge rises again to the tissue there: that is not bone.
  const double floor = response.overshoot > 0 ? std::max(p[lowest], soft) : p[lowest];
  const bool gap = beyond - floor > std::max(0.12 * contrast, 3 * noise) && place(static_cast<int>(lowest)) < 1.5;
  const std::size_t last = gap ? std::min<std::size_t>(lowest + 1, kSamples - 1) : kSamples - 1;
  double deep = 0;
  for (std::size_t n = 0; n < 5; ++n) deep += p[n] / 5;

  constexpr int kUnknowns = 5, kThickness = 1;
  using Vector = Eigen::Matrix<double, kUnknowns, 1>;
  Vector q, prior, spread;
  const double valley = std::max(0.4, 2 * place(static_cast<int>(lowest)));
  prior << 0.0, std::log(0.8), std::min(deep, soft + kCancellous * contrast),
      gap ? soft : std::min((response.overshoot > 0 ? p[kSamples - 1] : p[lowest]) + noise, soft + 150),
      std::log(valley);
  spread << 0.35, 0.7, 200.0, gap ? 60.0 : 120.0, 0.6;
  q = prior;
  const double scatter = std::max(noise, 0.03 * contrast);
  const auto evaluate = [&](const Vector& at, Eigen::Matrix<double, kUnknowns, kUnknowns>* H, Vector* g) {
    const double x = at[0], t = std::exp(at[1]), inside = at[2], out = at[3], w = std::exp(at[4]);
    double cost = 0;
    for (std::size_t n = 0; n <= last; ++n) {
      const double s = place(static_cast<int>(n));
      const NormalTable::Value at_a = response.at(s - x + t), at_b = response.at(s - x),
                               at_c = gap ? response.at(s - x - w) : NormalTable::Value{0.0, 0.0};
      const double A = at_a.cumulative, B = at_b.cumulative, C = at_c.cumulative;
      const double r = p[n] - (inside + (cortex - inside) * A - (cortex - out) * (B - C));
      // The model does not cover trabeculae far inside.
      const double weight = std::exp(-0.5 * std::pow(std::min(0.0, s + 0.6) / 0.7, 2)) / (scatter * scatter);
      cost += weight * r * r;
      if (H == nullptr) continue;
      const double da = at_a.density, db = at_b.density, dc = at_c.density;
      Vector J;
      J[0] = -(cortex - inside) * da + (cortex - out) * (db - dc);
      J[1] = (cortex - inside) * da * t;
      J[2] = 1 - A;
      J[3] = B - C;
      J[4] = -(cortex - out) * dc * w;
      *H += weight * J * J.transpose();
      *g += weight * r * J;
    }
    for (int k = 0; k < kUnknowns; ++k) {
      const double d = (at[k] - prior[k]) / spread[k];
      cost += d * d;
      if (H == nullptr) continue;
      (*H)(k, k) += 1 / (spread[k] * spread[k]);
      (*g)[k] -= d / spread[k];
    }
    return cost;
  };
  double damping = 1e-2, cost = evaluate(q, nullptr, nullptr);
  for (int iteration = 0; iteration < 12; ++iteration) {
    Eigen::Matrix<double, kUnknowns, kUnknowns> H = Eigen::Matrix<double, kUnknowns, kUnknowns>::Zero();
    Vector g = Vector::Zero();
    evaluate(q, &H, &g);
    Eigen::Matrix<double, kUnknowns, kUnknowns> D = H;
    D.diagonal() *= 1 + damping;
    const Vector step = D.ldlt().solve(g);
    const Vector next = q + step;
    const double better = evaluate(next, nullptr, nullptr);
    if (!(better < cost)) {
      damping *= 8;
      if (damping > 1e4) break;
      continue;
    }
    const bool done = std::abs(step[0]) < 2e-3 && cost - better < 1e-3 * cost;
    q = next;
    cost = better;
    damping = std::max(1e-4, damping / 4);
    if (done) break;
  }
  Fit fit;
  fit.cost = cost;
  fit.misfit = cost - std::pow((q[kThickness] - prior[kThickness]) / spread[kThickness], 2);
  if (!std::isfinite(q[0]) || std::abs(q[0]) > 0.6) return fit;
  fit.shift = q[0];
  fit.weight = 1 / (1 + std::pow(cost / (3.0 * static_cast<double>(last + 1)), 2));
  return fit;
}

}  // namespace

EdgeResponse EdgeModel::along(const Vec3& normal) const {
  const double z = normal.z() * normal.z();
  const auto mixed = [&](double plane) {
    return std::sqrt(plane * plane * (1 - z) + sigma_slice_mm * sigma_slice_mm * z);
  };
  return {mixed(sigma_plane_mm), mixed(wide_plane_mm), overshoot};
}

EdgeModel measureEdges(const ScanImage& scan, const std::vector<const Surface*>& surfaces, double pixel_mm,
                       double slice_mm) {
  // Places beside open soft tissue, brightest first: there the cortex is thickest and the model best seen.
  struct Place {
    Profile profile;
    double top;
    Vec3 normal;
  };
  std::vector<Place> bright;
  for (const Surface* surface : surfaces) {
    const auto normals = vertexNormals(*surface);
    const auto profiles = profilesOf(scan, *surface, normals, vertexRings(*surface));
    for (std::size_t v = 0; v < profiles.size(); v += 7) {
      const Profile& p = profiles[v];
      if (scan.nearScanBorder(surface->vertices[v], 2.5)) continue;
      const double top = *std::max_element(p.begin(), p.begin() + kInward + 1);
      if (top >= scan.levels.bright) bright.push_back({p, top, normals[v]});
    }
  }
  const double soft = scan.levels.soft;
  // `dips`: beside an edge that overshoots, the grey value falls below that of the tissue there.
  const auto beside = [&](bool dips) {
    std::vector<const Place*> open;
    for (const Place& q : bright) {
      double lowest = *std::min_element(q.profile.begin() + kInward, q.profile.end());
      if (dips) lowest = std::max(lowest, soft);
      if (q.profile[kSamples - 1] <= lowest + 0.15 * (q.top - lowest)) open.push_back(&q);
    }
    std::stable_sort(open.begin(), open.end(), [](const Place* x, const Place* y) { return x->top > y->top; });
    return open;
  };
  /// The most likely of `guesses` by about `count` of the brighter three quarters of the places, thick and thin alike,
  /// if compact bone is not much brighter than the brightest places seen (a denser and thinner cortex under more blur
  /// looks almost the same).
  struct Guess {
    double share, sigma;  // of compact bone over the brightest places; of the blur in the plane, mm
    Overshoot overshoot;
    EdgeModel model;
    double cost = 0;
  };
  const double noise = 0.5 * scan.levels.noise;
  const double more = (slice_mm * slice_mm - pixel_mm * pixel_mm) / 12;  // voxels of another width along the normal
  const auto likeliest = [&](const std::vector<const Place*>& open, std::size_t count, std::vector<Guess> guesses) {
    const double brightest = open[open.size() / 20]->top;
    std::vector<const Place*> chosen;
    const std::size_t stride = std::max<std::size_t>(1, open.size() / count);
    for (std::size_t n = 0; n < open.size() * 3 / 4; n += stride) chosen.push_back(open[n]);
    tbb::parallel_for(std::size_t{0}, guesses.size(), [&](std::size_t k) {
      Guess& g = guesses[k];
      g.model = {.sigma_plane_mm = g.sigma,
                 .sigma_slice_mm = std::sqrt(std::max(0.15 * 0.15, g.sigma * g.sigma + more)),
                 .cortex_hu = soft + g.share / (1 + kBrighter * g.overshoot.amount) * (brightest - soft),
                 .places = chosen.size(),
                 .overshoot = g.overshoot.amount,
                 .wide_plane_mm = std::hypot(g.sigma, g.overshoot.wider_mm)};
      g.cost = std::pow((std::log(g.share) - 0.1) / 0.2, 2) * static_cast<double>(chosen.size());
      // Without what is expected of the thickness, which is the person's: thick cortices would pass for thinner and
      // denser ones.
      for (const Place* q : chosen)
        g.cost +=
            std::min(90.0, fitProfile(q->profile, g.model.along(q->normal), g.model.cortex_hu, soft, noise).misfit);
      if (g.overshoot.amount > 0) g.cost *= 1 + kCheaper;
    });
    return *std::min_element(guesses.begin(), guesses.end(),
                             [](const Guess& x, const Guess& y) { return x.cost < y.cost; });
  };
  constexpr std::size_t kLeast = 200;
  // A few places show whether the kernel overshoots; then density and blur are fitted closely.
  const auto any = beside(true);
  if (any.size() < kLeast) return {};
  std::vector<Guess> coarse;
  for (const Overshoot& o : kOvershoots)
    for (const double share : {1.0, 1.25, 1.6})
      for (double sigma = 0.22; sigma < 0.75; sigma *= 1.27) coarse.push_back({share, sigma, o, {}});
  const Overshoot overshoot = likeliest(any, 150, std::move(coarse)).overshoot;
  const auto open = overshoot.amount > 0 ? any : beside(false);
  if (open.size() < kLeast) return {};
  std::vector<Guess> fine;
  for (const double share : {1.0, 1.12, 1.25, 1.4, 1.6, 1.8, 2.1})
    for (double sigma = 0.22; sigma < 0.75; sigma *= 1.13) fine.push_back({share, sigma, overshoot, {}});
  return likeliest(open, 600, std::move(fine)).model;
}

void fitCortex(const ScanImage& scan, const EdgeModel& model, Surface& surface) {
  if (model.places == 0 || surface.empty()) return;
  const std::size_t count = surface.vertices.size();
  const VertexRings near = vertexRings(surface);
  const auto normals = vertexNormals(surface);
  const auto profiles = profilesOf(scan, surface, normals, near);
  const double noise = 0.5 * scan.levels.noise;  // averaged over about seven profiles, neighbours correlated
  std::vector<Fit> fits(count);
  using Range = tbb::blocked_range<std::size_t>;
  tbb::parallel_for(Range(0, count), [&](const Range& range) {
    for (std::size_t v = range.begin(); v != range.end(); ++v) {
      if (scan.nearScanBorder(surface.vertices[v], 0.9)) {
        fits[v] = {0.0, 1e3, 0.0};
        continue;
      }
      if (v % 3 != 0) continue;  // the correction is smooth: every third vertex carries it
      fits[v] = fitProfile(profiles[v], model.along(normals[v]), model.cortex_hu, scan.levels.soft, noise);
    }
  });
  std::vector<double> move(count), next(count);
  for (std::size_t v = 0; v < count; ++v) move[v] = fits[v].weight > 0 ? fits[v].shift : 0.0;
  constexpr double kJoin = 1.5;  // the correction changes slowly along the surface
  for (int sweep = 0; sweep < 15; ++sweep) {
    for (std::size_t v = 0; v < count; ++v) {
      const std::uint32_t from = near.first[v], to = near.first[v + 1];
      double sum = 0;
      for (std::uint32_t a = from; a < to; ++a) sum += move[near.ring[a]];
      const double mean = sum / std::max(1U, to - from);
      const double off = (fits[v].shift - mean) / 0.25;
      const double w = fits[v].weight > 10 ? fits[v].weight : fits[v].weight / (1 + off * off);
      next[v] = (w * fits[v].shift + kJoin * mean) / (w + kJoin);
    }
    move.swap(next);
  }
  for (std::size_t v = 0; v < count; ++v) surface.vertices[v] += move[v] * normals[v];
}

}  // namespace rayset::bones
