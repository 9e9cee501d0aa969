#include "bones/bone_surface.h"

#include <tbb/blocked_range.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <cmath>

#include "bones/components.h"
#include "geometry/distance_field.h"

namespace rayset::bones {
namespace {

struct LabelBox {
  Eigen::Vector3i low, size;
  std::vector<std::uint8_t> inside;
  [[nodiscard]] std::size_t at(int i, int j, int k) const {
    return (static_cast<std::size_t>(k) * static_cast<std::size_t>(size.y()) + static_cast<std::size_t>(j)) *
               static_cast<std::size_t>(size.x()) +
           static_cast<std::size_t>(i);
  }
};

constexpr std::size_t kLargestOnly = static_cast<std::size_t>(-1);

/// Pieces of equal value (6-neighbourhood); keeps of `value` the largest piece and those of `least` voxels or more,
/// turning the rest into 1 - value.
void keepLargest(LabelBox& box, std::uint8_t value, std::size_t least = kLargestOnly) {
  const Components pieces(box.size, box.inside, value);
  const auto& sizes = pieces.voxels();
  if (sizes.empty()) return;
  const std::uint32_t best = pieces.largest();
  for (const Run& run : pieces.runs())
    if (run.piece != best && sizes[run.piece] < least)
      std::fill(box.inside.begin() + static_cast<std::ptrdiff_t>(run.from),
                box.inside.begin() + static_cast<std::ptrdiff_t>(run.to), static_cast<std::uint8_t>(1 - value));
}

constexpr double kStep = 0.1;  // mm between samples of a profile
constexpr int kHalf = 24;      // samples each way
constexpr int kSamples = 2 * kHalf + 1;
using Profile = std::array<float, kSamples>;

struct EdgeHit {
  double at = 0;      // mm along the normal, positive outward
  double weight = 0;  // 0 if there is no edge
};

/// The fall of the profile nearest to the current surface, weighted against its steepness. `half`: samples of the
/// profile each way that are filled in.
EdgeHit findEdge(const Profile& p, double window_mm, int half, double contrast) {
  std::array<float, kSamples> slope{};
  for (int n = kHalf - half + 2; n < kHalf + half - 1; ++n) {
    const auto u = static_cast<std::size_t>(n);
    // Derivative of a small quadratic fit over five samples (Savitzky-Golay): outward fall is positive.
    slope[u] = static_cast<float>((2.0F * (p[u - 2] - p[u + 2]) + (p[u - 1] - p[u + 1])) /
                                  (10.0F * static_cast<float>(kStep)));
  }
  EdgeHit best;
  double best_score = 0.18 * contrast;  // HU per mm: a full edge blurred to 1 mm falls by 0.9 contrast per mm
  for (int n = kHalf - half + 3; n < kHalf + half - 2; ++n) {
    const auto u = static_cast<std::size_t>(n);
    const double s = (n - kHalf) * kStep;
    if (std::abs(s) > window_mm) continue;
    if (slope[u] < slope[u - 1] || slope[u] < slope[u + 1]) continue;
    const double score = static_cast<double>(slope[u]) * std::exp(-0.5 * (s / window_mm) * (s / window_mm) * 2);
    if (score <= best_score) continue;
    best_score = score;
    const double a = static_cast<double>(slope[u - 1]), b = static_cast<double>(slope[u]),
                 c = static_cast<double>(slope[u + 1]);
    const double curvature = a - 2 * b + c;
    best.at = s + (curvature < 0 ? std::clamp(0.5 * (a - c) / curvature, -0.5, 0.5) * kStep : 0.0);
    best.weight = std::min(1.0, b / (0.6 * contrast));
  }
  return best;
}

}  // namespace

LabelExtent labelExtent(const Image& grid, const std::vector<std::uint8_t>& labels, std::uint8_t label) {
  LabelExtent out{grid.size, -Eigen::Vector3i::Ones()};
  for (int k = 0; k < grid.size.z(); ++k)
    for (int j = 0; j < grid.size.y(); ++j) {
      const std::uint8_t* row = labels.data() + grid.offset(0, j, k);
      for (int i = 0; i < grid.size.x(); ++i)
        if (row[i] == label) {
          const Eigen::Vector3i q(i, j, k);
          out.low = out.low.cwiseMin(q);
          out.high = out.high.cwiseMax(q);
          ++out.count;
        }
    }
  return out;
}

Surface labelOutline(const Image& grid, const std::vector<std::uint8_t>& labels, std::uint8_t label, bool one_bone) {
  const auto [low, high, count] = labelExtent(grid, labels, label);
  if (count < 50) return {};
  LabelBox box;
  constexpr int kPad = 4;  // beyond the grid too: the outline closes at the scan's border
  box.low = low - Eigen::Vector3i::Constant(kPad);
  box.size = high - low + Eigen::Vector3i::Constant(2 * kPad + 1);
  box.inside.assign(static_cast<std::size_t>(box.size.prod()), 0);
  for (int k = low.z(); k <= high.z(); ++k)
    for (int j = low.y(); j <= high.y(); ++j)
      for (int i = low.x(); i <= high.x(); ++i)
        if (labels[grid.offset(i, j, k)] == label)
          box.inside[box.at(i - box.low.x(), j - box.low.y(), k - box.low.z())] = 1;
  constexpr std::size_t kLeast = 100;  // voxels: smaller parts of several bones are noise
  keepLargest(box, 1, one_bone ? kLargestOnly : kLeast);
  keepLargest(box, 0);
  Image field;
  field.size = box.size;
  field.h = grid.h;
  field.v.resize(box.inside.size());
  for (std::size_t n = 0; n < box.inside.size(); ++n) field.v[n] = box.inside[n] ? -1.0F : 1.0F;
  smooth(field, 0.45);
  Surface out = isosurface(field.v, field.size, grid.h * box.low.cast<double>(), Vec3::Constant(grid.h), 0);
  auto parts = pieces(out);
  if (parts.empty()) return {};
  if (one_bone) return std::move(parts.front());
  std::vector<const Surface*> all;
  for (const Surface& part : parts) all.push_back(&part);
  return merged(all);
}

RefinedSurface refineSurface(const ScanImage& scan, Surface outline, double search_mm) {
  RefinedSurface out;
  if (outline.empty()) return out;
  const double contrast = scan.levels.bright - scan.levels.soft;
  const std::size_t count = outline.vertices.size();
  const std::vector<Vec3> start = outline.vertices;
  const VertexRings rings = vertexRings(outline);
  std::vector<Profile> raw(count), calm(count);
  std::vector<EdgeHit> hits(count);
  std::vector<double> move(count), next(count);
  std::vector<std::uint8_t> frozen(count, 0);
  for (std::size_t v = 0; v < count; ++v)
    if (scan.nearScanBorder(outline.vertices[v], 0.9)) frozen[v] = 1, out.cut = true;

  for (const double window : {1.8, 1.0, 0.6, 0.5}) {
    if (window > search_mm) continue;
    const std::vector<Vec3> normals = vertexNormals(outline);
    // Profiles reach a little beyond the window: an edge at its border must still show as a peak.
    const int half = std::min(kHalf, static_cast<int>(std::lround(window / kStep)) + 4);
    tbb::parallel_for(tbb::blocked_range<std::size_t>(0, count), [&](const auto& range) {
      for (std::size_t v = range.begin(); v != range.end(); ++v)
        for (int n = kHalf - half; n <= kHalf + half; ++n)
          raw[v][static_cast<std::size_t>(n)] = scan.grey.cubic(outline.vertices[v] + (n - kHalf) * kStep * normals[v]);
    });
    const auto low = static_cast<std::size_t>(kHalf - half), high = static_cast<std::size_t>(kHalf + half);
    // Averaged over the neighbours, profile against profile: less noise, no blur across the edge.
    tbb::parallel_for(tbb::blocked_range<std::size_t>(0, count), [&](const auto& range) {
      for (std::size_t v = range.begin(); v != range.end(); ++v) {
        Profile& p = calm[v];
        p = raw[v];
        const std::uint32_t from = rings.first[v], to = rings.first[v + 1];
        for (std::uint32_t a = from; a < to; ++a)
          for (std::size_t n = low; n <= high; ++n) p[n] += raw[rings.ring[a]][n];
        const float scale = 1.0F / static_cast<float>(to - from + 1);
        for (std::size_t n = low; n <= high; ++n) p[n] *= scale;
        hits[v] = frozen[v] ? EdgeHit{} : findEdge(p, window, half, contrast);
      }
    });
    for (std::size_t v = 0; v < count; ++v) {
      move[v] = hits[v].weight > 0 ? hits[v].at : 0.0;
      if (frozen[v]) hits[v] = {0.0, 1.0};
    }
    for (int sweep = 0; sweep < 12; ++sweep) {
      for (std::size_t v = 0; v < count; ++v) {
        const std::uint32_t from = rings.first[v], to = rings.first[v + 1];
        double sum = 0;
        for (std::uint32_t a = from; a < to; ++a) sum += move[rings.ring[a]];
        constexpr double kJoin = 0.6;
        // An edge that its neighbours contradict by more than half a millimetre counts little.
        const double mean = sum / std::max(1U, to - from);
        const double off = (hits[v].at - mean) / 0.5;
        const double w = frozen[v] ? 1e3 : hits[v].weight / (1 + off * off);
        next[v] = (w * hits[v].at + kJoin * mean) / (w + kJoin);
      }
      move.swap(next);
    }
    for (std::size_t v = 0; v < count; ++v)
      if (!frozen[v]) outline.vertices[v] += move[v] * normals[v];
    if (window > 0.55) smoothTaubin(outline, window > 1.5 ? 3 : 2);
  }
  std::size_t seen = 0, supported = 0;
  double moved = 0;
  for (std::size_t v = 0; v < count; ++v) {
    moved += (outline.vertices[v] - start[v]).norm();
    if (frozen[v]) continue;
    ++seen;
    if (hits[v].weight > 0.2) ++supported;
  }
  out.moved_mm = moved / static_cast<double>(count);
  out.supported = static_cast<double>(supported) / static_cast<double>(std::max<std::size_t>(1, seen));
  out.surface = std::move(outline);
  return out;
}

}  // namespace rayset::bones
