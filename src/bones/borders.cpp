#include "bones/borders.h"

#include <tbb/parallel_for.h>

#include <algorithm>
#include <array>
#include <map>
#include <utility>

#include "bones/features.h"

namespace rayset::bones {
namespace {

constexpr std::uint8_t kNobody = 255;
constexpr double kLooseMm = 4.0;      ///< voxels nearer to the border than this may change hands
constexpr double kFarthestMm = 14.0;  ///< beyond this every voxel stays
constexpr std::size_t kLeastFaces = 12;
constexpr double kTexture = 0.08;             ///< sheets of the cancellous texture, as a fraction of the contrast
constexpr double kSheet = 0.10;               ///< a sheet this much deeper halves what a cut costs
constexpr double kFull = 1000;                ///< cost of a face of a voxel where nothing is seen
constexpr double kFaint = 0.1, kPlain = 0.6;  ///< bright sheets: texture; surely two cortices that touch
constexpr double kPlates = 0.7;               ///< such a sheet saves this part of the cost

using Faces = std::map<std::pair<std::uint8_t, std::uint8_t>, std::vector<std::uint32_t>>;

/// A minimum cut between the two owners of a band of voxels: Dinic's algorithm on the six neighbours.
class Cut {
 public:
  enum Side : std::uint8_t { kFree, kSource, kSink };
  static constexpr std::uint32_t kNone = 0xffffffffU;

  std::size_t add(Side side) {
    next_.push_back({kNone, kNone, kNone, kNone, kNone, kNone});
    left_.push_back({});
    side_.push_back(side);
    return side_.size() - 1;
  }
  /// Arc `way` (0..5, 2 a, 2 a + 1 along axis a) of `from` leads to `to`; both ways cost the same.
  void join(std::size_t from, std::size_t way, std::size_t to, int cost) {
    next_[from][way] = static_cast<std::uint32_t>(to);
    next_[to][way ^ 1U] = static_cast<std::uint32_t>(from);
    left_[from][way] = left_[to][way ^ 1U] = cost;
  }
  /// Of every node the side it falls to; kFree where it makes no difference.
  std::vector<Side> solve() {
    while (layer()) {
      at_.assign(side_.size(), 0);
      for (std::size_t n = 0; n < side_.size(); ++n)
        if (side_[n] == kSource) pushFrom(n);
    }
    std::vector<Side> out(side_.size(), kFree);
    for (std::size_t n = 0; n < out.size(); ++n)
      if (level_[n] >= 0) out[n] = kSource;
    std::vector<std::size_t> queue;
    for (std::size_t n = 0; n < out.size(); ++n)
      if (side_[n] == kSink) out[n] = kSink, queue.push_back(n);
    for (std::size_t q = 0; q < queue.size(); ++q)
      for (std::size_t w = 0; w < 6; ++w) {
        const std::uint32_t from = next_[queue[q]][w];
        if (from == kNone || out[from] != kFree || left_[from][w ^ 1U] <= 0) continue;
        out[from] = kSink;
        queue.push_back(from);
      }
    return out;
  }

 private:
  bool layer() {
    level_.assign(side_.size(), -1);
    std::vector<std::size_t> queue;
    for (std::size_t n = 0; n < side_.size(); ++n)
      if (side_[n] == kSource) level_[n] = 0, queue.push_back(n);
    bool reached = false;
    for (std::size_t q = 0; q < queue.size(); ++q) {
      const std::size_t n = queue[q];
      if (side_[n] == kSink) {
        reached = true;
        continue;
      }
      for (std::size_t w = 0; w < 6; ++w) {
        const std::uint32_t to = next_[n][w];
        if (to == kNone || level_[to] >= 0 || left_[n][w] <= 0) continue;
        level_[to] = level_[n] + 1;
        queue.push_back(to);
      }
    }
    return reached;
  }
  void pushFrom(std::size_t source) {
    std::vector<std::pair<std::size_t, std::size_t>> path;  // node, way taken
    std::size_t n = source;
    for (;;) {
      if (side_[n] == kSink) {
        int flow = left_[path.front().first][path.front().second];
        for (const auto& [from, way] : path) flow = std::min(flow, left_[from][way]);
        std::size_t first = path.size();
        for (std::size_t p = path.size(); p-- > 0;) {
          const auto [from, way] = path[p];
          left_[from][way] -= flow;
          left_[next_[from][way]][way ^ 1U] += flow;
          if (left_[from][way] == 0) first = p;
        }
        n = path[first].first;
        path.resize(first);
        continue;
      }
      std::uint8_t& w = at_[n];
      while (w < 6 && (next_[n][w] == kNone || left_[n][w] <= 0 || level_[next_[n][w]] != level_[n] + 1)) ++w;
      if (w < 6) {
        path.emplace_back(n, w);
        n = next_[n][w];
        continue;
      }
      if (path.empty()) return;
      n = path.back().first;
      path.pop_back();
      ++at_[n];
    }
  }

  std::vector<std::array<std::uint32_t, 6>> next_;
  std::vector<std::array<int, 6>> left_;
  std::vector<Side> side_;
  std::vector<int> level_;
  std::vector<std::uint8_t> at_;
};

}  // namespace

void settleBorders(const Image& image, const SheetAt& sheet, const SheetAt& plates,
                   const std::function<bool(std::size_t, std::uint8_t)>& sure, std::vector<std::uint8_t>& owner) {
  const int nx = image.size.x(), ny = image.size.y(), nz = image.size.z();
  const std::array<std::ptrdiff_t, 6> six = image.six();
  std::vector<Faces> found(static_cast<std::size_t>(nz));  // slice by slice, so that the order is always the same
  tbb::parallel_for(1, nz - 1, [&](int k) {
    Faces& here = found[static_cast<std::size_t>(k)];
    for (int j = 1; j < ny - 1; ++j)
      for (int i = 1; i < nx - 1; ++i) {
        const std::size_t n = image.offset(i, j, k);
        if (owner[n] == kNobody) continue;
        for (const std::size_t way : {0U, 2U, 4U}) {
          const std::size_t t = beside(n, six[way]);
          if (owner[t] == kNobody || owner[t] == owner[n]) continue;
          auto& list = here[std::minmax(owner[n], owner[t])];
          list.push_back(static_cast<std::uint32_t>(n));
          list.push_back(static_cast<std::uint32_t>(t));
        }
      }
  });
  Faces faces;
  for (const Faces& here : found)
    for (const auto& [pair, list] : here) faces[pair].insert(faces[pair].end(), list.begin(), list.end());
  // What it costs to cut through a voxel, 0 to 1.
  const auto cost = [&](std::size_t n) {
    const Eigen::Vector3i at = image.voxel(n);
    const double bright = std::clamp((plates(n, at.x(), at.y(), at.z()) - kFaint) / (kPlain - kFaint), 0.0, 1.0);
    const double deep = std::max(0.0, sheet(n, at.x(), at.y(), at.z()) - kTexture) / kSheet;
    return (1 - kPlates * bright) / (1 + deep * deep);
  };
  constexpr std::uint32_t kOut = 0xffffffffU;
  std::vector<std::uint32_t> node(owner.size(), kOut);
  for (const auto& [pair, border] : faces) {
    if (border.size() < 2 * kLeastFaces) continue;
    const auto [a, b] = pair;
    Cut cut;
    std::vector<std::uint32_t> voxels;
    std::vector<int> depth;
    std::array<std::size_t, 2> seeds{0, 0};
    const auto take = [&](std::size_t n, int steps) {
      const double mm = steps * image.h;
      const bool stays = !image.inner(n) || mm > kFarthestMm || (mm > kLooseMm && sure(n, owner[n]));
      node[n] = static_cast<std::uint32_t>(cut.add(!stays ? Cut::kFree : owner[n] == a ? Cut::kSource : Cut::kSink));
      if (stays) ++seeds[owner[n] == a ? 0 : 1];
      voxels.push_back(static_cast<std::uint32_t>(n));
      depth.push_back(stays ? -1 : steps);
    };
    for (const std::uint32_t n : border)
      if (node[n] == kOut && (owner[n] == a || owner[n] == b)) take(n, 0);
    for (std::size_t q = 0; q < voxels.size(); ++q) {
      if (depth[q] < 0) continue;
      for (std::size_t way = 0; way < 6; ++way) {
        const std::size_t t = beside(voxels[q], six[way]);
        if (node[t] == kOut && (owner[t] == a || owner[t] == b)) take(t, depth[q] + 1);
      }
    }
    if (seeds[0] > 0 && seeds[1] > 0) {
      std::vector<double> costs(voxels.size());
      tbb::parallel_for(tbb::blocked_range<std::size_t>(0, voxels.size(), 256), [&](const auto& range) {
        for (std::size_t q = range.begin(); q < range.end(); ++q) costs[q] = cost(voxels[q]);
      });
      for (std::size_t q = 0; q < voxels.size(); ++q) {
        if (!image.inner(voxels[q])) continue;
        for (const std::size_t way : {0U, 2U, 4U}) {
          const std::uint32_t t = node[beside(voxels[q], six[way])];
          if (t == kOut) continue;
          cut.join(q, way, t, std::max(1, static_cast<int>(kFull * std::min(costs[q], costs[t]))));
        }
      }
      const auto side = cut.solve();
      for (std::size_t q = 0; q < voxels.size(); ++q)
        if (side[q] != Cut::kFree) owner[voxels[q]] = side[q] == Cut::kSource ? a : b;
    }
    for (const std::uint32_t n : voxels) node[n] = kOut;
  }
}

}  // namespace rayset::bones
