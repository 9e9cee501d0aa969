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
constexpr double kSheet = 0.10;               ///< a sheet this much deeper halves the cost of a cut
constexpr double kFull = 1000;                ///< cost of a voxel face if nothing shows there
constexpr double kFaint = 0.1, kPlain = 0.6;  ///< bright sheets: texture; surely two cortices that touch
constexpr double kPlates = 0.7;               ///< such a sheet saves this share of the cost

using Faces = std::map<std::pair<std::uint8_t, std::uint8_t>, std::vector<std::uint32_t>>;

/// A minimum cut between the two owners of a band of voxels: two trees grow from the sources and the sinks along arcs
/// with room left, and are kept from one augmenting path to the next (Boykov and Kolmogorov, IEEE Trans Pattern Anal
/// Mach Intell 2004;26:1124-37).
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
  /// The side of every node; kFree if it makes no difference.
  std::vector<Side> solve() {
    tree_ = side_;
    parent_.assign(side_.size(), kRoot);
    depth_.assign(side_.size(), 0);
    checked_.assign(side_.size(), 0);
    active_.clear();
    for (std::size_t n = 0; n < side_.size(); ++n)
      if (side_[n] != kFree) active_.push_back(static_cast<std::uint32_t>(n));
    for (std::size_t q = 0; q < active_.size(); ++q) {
      const std::size_t n = active_[q];
      for (std::size_t w = 0; w < 6; ++w) {
        const std::uint32_t to = next_[n][w];
        // Paths are filled until there is none left: the node itself may fall out of its tree on the way.
        while (tree_[n] != kFree && to != kNone && tree_[to] != kFree && tree_[to] != tree_[n] && room(n, w) > 0) {
          const bool forwards = tree_[n] == kSource;
          augment(forwards ? n : to, forwards ? w : w ^ 1U);
        }
        if (tree_[n] == kFree) break;
        if (to == kNone || tree_[to] != kFree || room(n, w) <= 0) continue;
        attach(to, tree_[n], w ^ 1U);
        active_.push_back(to);
      }
    }
    std::vector<Side> out(side_.size(), kFree);
    reached(kSource, out);
    reached(kSink, out);
    return out;
  }

 private:
  static constexpr std::uint8_t kRoot = 0xff, kOrphan = 0xfe;

  /// Room from a node of the sources' tree to its neighbour, or from the neighbour to a node of the sinks' tree.
  [[nodiscard]] int room(std::size_t n, std::size_t w) const {
    return tree_[n] == kSource ? left_[n][w] : left_[next_[n][w]][w ^ 1U];
  }
  void attach(std::size_t n, Side tree, std::size_t parent) {
    tree_[n] = tree;
    parent_[n] = static_cast<std::uint8_t>(parent);
  }

  /// Fills the path over arc `w` of `n`, from a source to a sink, and finds new parents for what it cut off.
  void augment(std::size_t n, std::size_t w) {
    const auto alongPath = [&](const auto& arc) {
      arc(n, w);
      for (std::size_t m = n; parent_[m] != kRoot; m = next_[m][parent_[m]]) arc(next_[m][parent_[m]], parent_[m] ^ 1U);
      for (std::size_t m = next_[n][w]; parent_[m] != kRoot; m = next_[m][parent_[m]]) arc(m, parent_[m]);
    };
    int flow = left_[n][w];
    alongPath([&](std::size_t from, std::size_t way) { flow = std::min(flow, left_[from][way]); });
    std::vector<std::uint32_t> orphans;
    alongPath([&](std::size_t from, std::size_t way) {
      const std::uint32_t to = next_[from][way];
      left_[from][way] -= flow;
      left_[to][way ^ 1U] += flow;
      if (left_[from][way] > 0 || tree_[from] != tree_[to]) return;
      orphans.push_back(tree_[from] == kSource ? to : static_cast<std::uint32_t>(from));
    });
    for (const std::uint32_t orphan : orphans) parent_[orphan] = kOrphan;
    ++time_;
    for (std::size_t q = 0; q < orphans.size(); ++q) adopt(orphans[q], orphans);
  }

  /// How far a node is from the root of its tree; kNone if there is an orphan in between.
  std::uint32_t depthOf(std::size_t n) {
    std::uint32_t depth = 0;
    std::size_t m = n;
    for (; checked_[m] != time_ && parent_[m] != kRoot; m = next_[m][parent_[m]], ++depth)
      if (parent_[m] == kOrphan) return kNone;
    if (checked_[m] == time_) depth += depth_[m];
    const std::uint32_t found = depth;
    for (m = n; checked_[m] != time_ && parent_[m] != kRoot; m = next_[m][parent_[m]], --depth) {
      checked_[m] = time_;
      depth_[m] = depth;
    }
    return found;
  }

  /// A new parent for an orphan in its tree, the nearest to the root; else it falls out of the tree, its children
  /// become orphans, and neighbours that could reach it grow again.
  void adopt(std::uint32_t n, std::vector<std::uint32_t>& orphans) {
    const Side tree = tree_[n];
    std::uint32_t least = kNone;
    std::size_t best = 0;
    for (std::size_t w = 0; w < 6; ++w) {
      const std::uint32_t from = next_[n][w];
      if (from == kNone || tree_[from] != tree || room(from, w ^ 1U) <= 0) continue;
      const std::uint32_t depth = depthOf(from);
      if (depth < least) least = depth, best = w;
    }
    if (least != kNone) {
      attach(n, tree, best);
      depth_[n] = least + 1;
      checked_[n] = time_;
      return;
    }
    for (std::size_t w = 0; w < 6; ++w) {
      const std::uint32_t beside = next_[n][w];
      if (beside == kNone || tree_[beside] != tree) continue;
      if (room(beside, w ^ 1U) > 0) active_.push_back(beside);
      if (parent_[beside] == (w ^ 1U)) {
        parent_[beside] = kOrphan;
        orphans.push_back(beside);
      }
    }
    tree_[n] = kFree;
    parent_[n] = kRoot;
  }

  /// Marks what the sources still reach, or what still reaches the sinks.
  void reached(Side side, std::vector<Side>& out) const {
    std::vector<std::size_t> queue;
    for (std::size_t n = 0; n < side_.size(); ++n)
      if (side_[n] == side) out[n] = side, queue.push_back(n);
    for (std::size_t q = 0; q < queue.size(); ++q)
      for (std::size_t w = 0; w < 6; ++w) {
        const std::uint32_t to = next_[queue[q]][w];
        if (to == kNone || out[to] != kFree) continue;
        if ((side == kSource ? left_[queue[q]][w] : left_[to][w ^ 1U]) <= 0) continue;
        out[to] = side;
        queue.push_back(to);
      }
  }

  std::vector<std::array<std::uint32_t, 6>> next_;
  std::vector<std::array<int, 6>> left_;
  std::vector<Side> side_, tree_;
  std::vector<std::uint8_t> parent_;  // the way to it
  std::vector<std::uint32_t> depth_, checked_, active_;
  std::uint32_t time_ = 0;
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
  // Cost of cutting through a voxel, 0 to 1.
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
    const std::uint8_t a = pair.first, b = pair.second;
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
