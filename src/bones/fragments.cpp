#include "bones/fragments.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <map>
#include <queue>

#include "anatomy/labels.h"
#include "base/median.h"
#include "bones/features.h"
#include "bones/labelling.h"
#include "geometry/distance_field.h"

namespace rayset::bones {
namespace {

constexpr double kAroundMm = 6;  ///< how far around the bone other pieces are considered
constexpr std::uint8_t kUnnamed = 255;
constexpr double kSkinMm = 1.0;
constexpr double kCloseMm = 1.3;     ///< gaps of up to twice this are bridged to see both sides of a break
constexpr double kTemplateMm = 3.0;  ///< bone this far outside its fitted template may still be the second metatarsal's
constexpr double kFleckReachMm = 5;  ///< a fleck lies within this of the second base, and of the medial cuneiform...
constexpr double kFarFromC1Mm = 12;  ///< ...or no farther than this beyond the base's own distance from it
constexpr double kCrackMm = 0.9;     ///< half the widest crack that is cut out of the labels
constexpr double kRimMm = 1.2;       ///< how deep below the surface the rim reaches
constexpr std::size_t kLeastSeed = 40;  ///< voxels of a patch of cortex
constexpr std::size_t kMostPatches = 2000;
constexpr double kDarkCost = 12, kSheetCost = 25;
constexpr std::uint16_t kNobody = 0xffff;

/// The part of the scan around the base, on its own small grid.
struct Region {
  Eigen::Vector3i low, size;
  double h = 0.5;
  std::vector<float> grey;           ///< calm
  std::vector<std::uint8_t> label;   ///< as labelled; kUnnamed: bright, but unlabelled
  std::vector<std::uint8_t> solid;   ///< 1: all bone with cracks and joints closed
  std::vector<std::uint8_t> distal;  ///< 1: second metatarsal far enough from the joint to be certainly the main part
  std::vector<std::uint8_t> edge;  ///< 1: the end of the region; anything that reaches it is a whole bone, not a piece

  [[nodiscard]] std::size_t count() const { return static_cast<std::size_t>(size.prod()); }
  [[nodiscard]] std::size_t at(int i, int j, int k) const {
    return (static_cast<std::size_t>(k) * static_cast<std::size_t>(size.y()) + static_cast<std::size_t>(j)) *
               static_cast<std::size_t>(size.x()) +
           static_cast<std::size_t>(i);
  }
  [[nodiscard]] bool holds(int i, int j, int k) const {
    return i >= 0 && j >= 0 && k >= 0 && i < size.x() && j < size.y() && k < size.z();
  }
  [[nodiscard]] Vec3 local(int i, int j, int k) const { return h * (low + Eigen::Vector3i(i, j, k)).cast<double>(); }
};

/// Calls f(n, i, j, k) for every voxel of the region.
template <class F>
void eachVoxel(const Region& r, const F& f) {
  std::size_t n = 0;
  for (int k = 0; k < r.size.z(); ++k)
    for (int j = 0; j < r.size.y(); ++j)
      for (int i = 0; i < r.size.x(); ++i, ++n) f(n, i, j, k);
}

constexpr std::array<std::array<int, 3>, 6> kSix{{{1, 0, 0}, {-1, 0, 0}, {0, 1, 0}, {0, -1, 0}, {0, 0, 1}, {0, 0, -1}}};

std::vector<std::array<int, 3>> ball(double radius_voxels) {
  std::vector<std::array<int, 3>> out;
  const int m = static_cast<int>(radius_voxels);
  for (int c = -m; c <= m; ++c)
    for (int b = -m; b <= m; ++b)
      for (int a = -m; a <= m; ++a)
        if (a * a + b * b + c * c <= radius_voxels * radius_voxels) out.push_back({a, b, c});
  return out;
}

/// 1 within the radius of a 1 of `mask`.
std::vector<std::uint8_t> grown(const Region& r, const std::vector<std::uint8_t>& mask, double radius_mm) {
  const auto offsets = ball(radius_mm / r.h);
  std::vector<std::uint8_t> out = mask;
  eachVoxel(r, [&](std::size_t n, int i, int j, int k) {
    if (!mask[n]) return;
    bool border = false;
    for (const auto& d : kSix)
      border = border || !r.holds(i + d[0], j + d[1], k + d[2]) || !mask[r.at(i + d[0], j + d[1], k + d[2])];
    if (!border) return;
    for (const auto& d : offsets)
      if (r.holds(i + d[0], j + d[1], k + d[2])) out[r.at(i + d[0], j + d[1], k + d[2])] = 1;
  });
  return out;
}

std::vector<std::uint8_t> shrunk(const Region& r, std::vector<std::uint8_t> mask, double radius_mm) {
  for (auto& m : mask) m = m ? 0 : 1;
  mask = grown(r, mask, radius_mm);
  for (auto& m : mask) m = m ? 0 : 1;
  return mask;
}

const DeformedBone* findBone(const std::vector<DeformedBone>& bones, Bone id) {
  for (const DeformedBone& b : bones)
    if (b.found && b.id == id) return &b;
  return nullptr;
}

/// The region of the base with everything bony in it; false if the bone is missing or too small.
bool regionOfBase(const ScanImage& scan, const std::vector<DeformedBone>& posed,
                  const std::vector<std::uint8_t>& labels, double reach_mm, Region& r) {
  const DeformedBone *m2 = findBone(posed, Bone::kM2), *c2 = findBone(posed, Bone::kC2);
  if (m2 == nullptr || c2 == nullptr) return false;
  Vec3 distal = principalAxes(m2->mesh.vertices).axes.col(0);
  if (distal.dot(centroid(m2->mesh) - centroid(c2->mesh)) < 0) distal *= -1;
  const Image& image = scan.calm;
  r.h = image.h;
  const std::uint8_t own = label(Bone::kM2);
  std::vector<double> heights;
  for (int k = 0; k < image.size.z(); ++k)
    for (int j = 0; j < image.size.y(); ++j)
      for (int i = 0; i < image.size.x(); ++i)
        if (labels[image.offset(i, j, k)] == own) heights.push_back(r.h * distal.dot(Vec3(i, j, k)));
  if (heights.size() < 2000) return false;
  const auto nth = heights.begin() + static_cast<std::ptrdiff_t>(heights.size() / 200);
  std::nth_element(heights.begin(), nth, heights.end());
  const double end = *nth + reach_mm;
  Eigen::Vector3i low = image.size, high = -Eigen::Vector3i::Ones();
  for (int k = 0; k < image.size.z(); ++k)
    for (int j = 0; j < image.size.y(); ++j)
      for (int i = 0; i < image.size.x(); ++i)
        if (labels[image.offset(i, j, k)] == own && r.h * distal.dot(Vec3(i, j, k)) < end) {
          low = low.cwiseMin(Eigen::Vector3i(i, j, k));
          high = high.cwiseMax(Eigen::Vector3i(i, j, k));
        }
  const int pad = static_cast<int>(std::ceil(kAroundMm / r.h));
  low = (low.array() - pad).max(0).matrix();
  high = (high.array() + pad).min(image.size.array() - 1).matrix();
  r.low = low;
  r.size = high - low + Eigen::Vector3i::Ones();
  r.grey.assign(r.count(), 0.0F);
  r.label.assign(r.count(), 0);
  r.distal.assign(r.count(), 0);
  r.edge.assign(r.count(), 0);
  std::vector<std::uint8_t> bony(r.count(), 0);
  const auto bright = static_cast<float>(scan.levels.bone + 0.25 * (scan.levels.bright - scan.levels.bone));
  eachVoxel(r, [&](std::size_t n, int i, int j, int k) {
    const Eigen::Vector3i q = r.low + Eigen::Vector3i(i, j, k);
    const std::size_t m = image.offset(q.x(), q.y(), q.z());
    const double height = r.h * distal.dot(q.cast<double>());
    r.grey[n] = image.v[m];
    if (height > end) return;
    r.label[n] = labels[m] != 0 ? labels[m] : r.grey[n] > bright ? kUnnamed : std::uint8_t{0};
    bony[n] = r.label[n] != 0 && r.label[n] != kUnnamed;
    r.distal[n] = r.label[n] == own && height > end - 4;
    r.edge[n] = i < 2 || j < 2 || k < 2 || i > r.size.x() - 3 || j > r.size.y() - 3 || k > r.size.z() - 3 ||
                (height > end - 2 && r.label[n] != own);
  });
  // The blurred skin of a labelled bone is bright too, but not a separate piece.
  const auto skin = grown(r, bony, kSkinMm);
  for (std::size_t n = 0; n < bony.size(); ++n) {
    if (r.label[n] == kUnnamed && skin[n]) r.label[n] = 0;
    bony[n] = r.label[n] != 0;
  }
  r.solid = shrunk(r, grown(r, bony, kCloseMm), kCloseMm);
  for (std::size_t n = 0; n < r.solid.size(); ++n) r.solid[n] = r.solid[n] || bony[n];
  return true;
}

/// Patches of bright cortex of one label, 26-connected; kNobody elsewhere. Then every lump that has no such patch
/// (small pieces are darkened by the blur). Bones may touch, so a patch does not continue from one label to another.
std::vector<std::uint16_t> patches(const Region& r, float level, std::size_t& count) {
  std::vector<std::uint16_t> patch(r.count(), kNobody);
  std::vector<std::uint8_t> seen(r.count(), 0);
  std::vector<std::array<int, 3>> stack, members;
  count = 0;
  const auto gather = [&](int i0, int j0, int k0, const auto& belongs) {
    members.clear();
    stack.assign(1, {i0, j0, k0});
    seen[r.at(i0, j0, k0)] = 1;
    while (!stack.empty()) {
      const auto q = stack.back();
      stack.pop_back();
      members.push_back(q);
      const std::size_t from = r.at(q[0], q[1], q[2]);
      for (int c = -1; c <= 1; ++c)
        for (int b = -1; b <= 1; ++b)
          for (int a = -1; a <= 1; ++a) {
            if (!r.holds(q[0] + a, q[1] + b, q[2] + c)) continue;
            const std::size_t to = r.at(q[0] + a, q[1] + b, q[2] + c);
            if (seen[to] || r.label[to] != r.label[from] || !belongs(to)) continue;
            seen[to] = 1;
            stack.push_back({q[0] + a, q[1] + b, q[2] + c});
          }
    }
  };
  const auto keep = [&] {
    if (members.size() < kLeastSeed || count >= kMostPatches) return;
    for (const auto& q : members) patch[r.at(q[0], q[1], q[2])] = static_cast<std::uint16_t>(count);
    ++count;
  };
  const auto cortex = [&](std::size_t n) { return r.label[n] != 0 && r.grey[n] >= level; };
  eachVoxel(r, [&](std::size_t n, int i, int j, int k) {
    if (seen[n] || !cortex(n)) return;
    gather(i, j, k, cortex);
    keep();
  });
  std::fill(seen.begin(), seen.end(), std::uint8_t{0});
  const auto bony = [&](std::size_t n) { return r.label[n] != 0; };
  eachVoxel(r, [&](std::size_t n, int i, int j, int k) {
    if (seen[n] || !bony(n)) return;
    gather(i, j, k, bony);
    if (std::none_of(members.begin(), members.end(),
                     [&](const auto& q) { return patch[r.at(q[0], q[1], q[2])] != kNobody; }))
      keep();
  });
  return patch;
}

/// Floods the solid from the patches; dark voxels and dark sheets cost most, so that fronts meet in the cracks.
void flood(const ScanImage& scan, const Region& r, std::vector<std::uint16_t>& who) {
  const double contrast = scan.levels.bright - scan.levels.soft, sigma = std::max(0.5, scan.calm_sigma_mm);
  std::vector<float> price(r.count(), 1.0F);
  eachVoxel(r, [&](std::size_t n, int i, int j, int k) {
    if (!r.solid[n]) return;
    const double dark = std::clamp(
        (scan.levels.bone - static_cast<double>(r.grey[n])) / (scan.levels.bone - scan.levels.soft), 0.0, 1.0);
    const Eigen::Vector3i q = r.low + Eigen::Vector3i(i, j, k);
    const bool inside = (q.array() > 0).all() && (q.array() < scan.calm.size.array() - 1).all();
    const double sheet =
        inside ? static_cast<double>(darkSheet(scan.calm, q.x(), q.y(), q.z(), sigma)) / contrast : 0.0;
    price[n] = static_cast<float>(1 + kDarkCost * dark + kSheetCost * std::max(0.0, sheet - 0.05));
  });
  struct Step {
    float cost;
    std::uint32_t n;
    bool operator>(const Step& o) const { return cost != o.cost ? cost > o.cost : n > o.n; }
  };
  std::priority_queue<Step, std::vector<Step>, std::greater<>> queue;
  std::vector<float> arrival(r.count(), 1e9F);
  for (std::size_t n = 0; n < who.size(); ++n)
    if (who[n] != kNobody) {
      arrival[n] = 0;
      queue.push({0, static_cast<std::uint32_t>(n)});
    }
  while (!queue.empty()) {
    const Step s = queue.top();
    queue.pop();
    if (s.cost > arrival[s.n]) continue;
    const auto nx = static_cast<std::size_t>(r.size.x()), ny = static_cast<std::size_t>(r.size.y());
    const int i = static_cast<int>(s.n % nx), j = static_cast<int>(s.n / nx % ny),
              k = static_cast<int>(s.n / (nx * ny));
    for (int c = -1; c <= 1; ++c)
      for (int b = -1; b <= 1; ++b)
        for (int a = -1; a <= 1; ++a) {
          if (!r.holds(i + a, j + b, k + c)) continue;
          const std::size_t to = r.at(i + a, j + b, k + c);
          if (!r.solid[to]) continue;
          const auto length = static_cast<float>(r.h * std::sqrt(a * a + b * b + c * c));
          const float reached = s.cost + length * 0.5F * (price[s.n] + price[to]);
          if (reached >= arrival[to] - 1e-6F) continue;
          arrival[to] = reached;
          who[to] = who[s.n];
          queue.push({reached, static_cast<std::uint32_t>(to)});
        }
  }
}

/// What lies between two neighbouring parts.
struct Border {
  std::size_t rim = 0, bright = 0, faces = 0;
  [[nodiscard]] double brightShare() const {
    return rim == 0 ? 0.0 : static_cast<double>(bright) / static_cast<double>(rim);
  }
};
using Borders = std::map<std::pair<std::uint16_t, std::uint16_t>, Border>;

Borders bordersOf(const Region& r, const std::vector<std::uint16_t>& who, const std::vector<std::uint8_t>& shallow,
                  float bright_level) {
  Borders out;
  eachVoxel(r, [&](std::size_t n, int i, int j, int k) {
    if (who[n] == kNobody) return;
    for (std::size_t d = 0; d < 6; d += 2) {
      if (!r.holds(i + kSix[d][0], j + kSix[d][1], k + kSix[d][2])) continue;
      const std::size_t to = r.at(i + kSix[d][0], j + kSix[d][1], k + kSix[d][2]);
      if (who[to] == kNobody || who[to] == who[n]) continue;
      Border& b = out[{std::min(who[n], who[to]), std::max(who[n], who[to])}];
      ++b.faces;
      if (!shallow[n] && !shallow[to]) continue;
      ++b.rim;
      if (std::min(r.grey[n], r.grey[to]) > bright_level) ++b.bright;
    }
  });
  return out;
}

/// Voxels of the break itself: near a border between parts and darker than halfway from soft tissue to this bone's
/// cancellous bone.
std::vector<std::uint8_t> crackOf(const ScanImage& scan, const Region& r, const std::vector<std::uint16_t>& who,
                                  const std::vector<std::uint8_t>& inner,
                                  const std::map<std::uint16_t, std::uint8_t>& names) {
  std::vector<std::uint8_t> border(r.count(), 0);
  const auto broken = [&](std::uint16_t w) {
    const auto it = names.find(w);
    return it != names.end() && it->second != label(Bone::kM2);
  };
  eachVoxel(r, [&](std::size_t n, int i, int j, int k) {
    if (who[n] == kNobody) return;
    for (const auto& d : kSix) {
      if (!r.holds(i + d[0], j + d[1], k + d[2])) continue;
      const std::size_t to = r.at(i + d[0], j + d[1], k + d[2]);
      if (who[to] != kNobody && who[to] != who[n] && (broken(who[n]) || broken(who[to]))) border[n] = 1;
    }
  });
  const auto beside = grown(r, border, 1.5);
  double sum = 0;
  std::size_t count = 0;
  for (std::size_t n = 0; n < inner.size(); ++n)
    if (inner[n] && !beside[n] && r.label[n] == label(Bone::kM2)) sum += static_cast<double>(r.grey[n]), ++count;
  const double cancellous = count > 0 ? sum / static_cast<double>(count) : scan.levels.bone;
  const auto level = static_cast<float>(0.5 * (cancellous + scan.levels.soft));
  auto crack = grown(r, border, kCrackMm);
  for (std::size_t n = 0; n < crack.size(); ++n) crack[n] = crack[n] && r.grey[n] < level;
  return crack;
}

}  // namespace

FragmentFindings findFragments(const ScanImage& scan, const std::vector<DeformedBone>& posed,
                               std::vector<std::uint8_t>& labels, const FragmentSettings& settings) {
  FragmentFindings out;
  Region r;
  if (!regionOfBase(scan, posed, labels, settings.reach_mm, r)) return out;
  const std::uint8_t own = label(Bone::kM2);
  const DistanceField shape(findBone(posed, Bone::kM2)->mesh, 0.8, 7.0);

  // The level of this bone's cortex: the median over its surface of the brightest within 1.2 mm.
  std::vector<std::uint8_t> bony(r.count(), 0), shallow(r.count(), 0);
  for (std::size_t n = 0; n < bony.size(); ++n) bony[n] = r.label[n] != 0;
  const auto inner = shrunk(r, bony, kRimMm);
  for (std::size_t n = 0; n < shallow.size(); ++n) shallow[n] = r.solid[n] && !inner[n];
  std::vector<float> peaks;
  const auto near = ball(kRimMm / r.h);
  eachVoxel(r, [&](std::size_t n, int i, int j, int k) {
    if (r.label[n] != own) return;
    bool border = false;
    for (const auto& d : kSix)
      border = border || !r.holds(i + d[0], j + d[1], k + d[2]) || r.label[r.at(i + d[0], j + d[1], k + d[2])] == 0;
    if (!border) return;
    float peak = r.grey[n];
    for (const auto& d : near)
      if (r.holds(i + d[0], j + d[1], k + d[2])) {
        const std::size_t m = r.at(i + d[0], j + d[1], k + d[2]);
        if (r.label[m] == own) peak = std::max(peak, r.grey[m]);
      }
    peaks.push_back(peak);
  });
  if (peaks.empty()) return out;
  const double cortex = static_cast<double>(median(std::move(peaks))) - scan.levels.soft;
  const auto seed_level = static_cast<float>(scan.levels.soft + settings.seed_level * cortex);
  const auto bright_level = static_cast<float>(scan.levels.soft + settings.bright_level * cortex);

  std::size_t count = 0;
  const std::vector<std::uint16_t> patch = patches(r, seed_level, count);
  if (count < 2) return out;
  std::vector<std::uint16_t> who = patch;
  flood(scan, r, who);

  // Join parts with cortex between them, the brightest border first. Other bones, recognised by reaching the edge of
  // the region, join only parts of their own label: bones touch, and a piece may touch its neighbour.
  std::vector<std::uint8_t> named(count, 0), other(count, 0);
  for (std::size_t n = 0; n < patch.size(); ++n)
    if (patch[n] != kNobody) {
      named[patch[n]] = r.label[n];
      if (r.edge[n] && r.label[n] != own) other[patch[n]] = 1;
    }
  const auto mayJoin = [&](std::uint16_t a, std::uint16_t b) {
    return (!other[a] && !other[b]) || named[a] == named[b];
  };
  Borders borders = bordersOf(r, who, shallow, bright_level);
  std::vector<std::uint16_t> into(count);
  for (std::size_t n = 0; n < count; ++n) into[n] = static_cast<std::uint16_t>(n);
  const auto join = [&](double limit, const auto& may) {
    for (;;) {
      std::pair<std::uint16_t, std::uint16_t> pair;
      double most = limit;
      for (const auto& [key, border] : borders)
        if (border.brightShare() > most && may(key.first, key.second)) most = border.brightShare(), pair = key;
      if (most <= limit) return;
      const auto [kept, gone] = pair;
      Borders merged;
      for (const auto& [key, border] : borders) {
        const std::uint16_t a = key.first == gone ? kept : key.first, b = key.second == gone ? kept : key.second;
        if (a == b) continue;
        Border& m = merged[{std::min(a, b), std::max(a, b)}];
        m.rim += border.rim, m.bright += border.bright;
      }
      borders.swap(merged);
      if (named[gone] == own || other[gone] || named[kept] == kUnnamed) named[kept] = named[gone];
      other[kept] = other[kept] || other[gone];
      for (auto& i : into)
        if (i == gone) i = kept;
    }
  };
  join(settings.doubtful, mayJoin);
  // The main part continues into the shaft. Pieces separate from it are one piece unless the break between them is as
  // certain as any.
  std::vector<std::size_t> distal(count, 0);
  for (std::size_t n = 0; n < who.size(); ++n)
    if (who[n] != kNobody && r.label[n] != 0) distal[into[who[n]]] += r.distal[n];
  std::uint16_t main_id = kNobody;
  for (std::size_t id = 0; id < count; ++id)
    if (!other[id] && distal[id] > 0 && (main_id == kNobody || distal[id] > distal[main_id]))
      main_id = static_cast<std::uint16_t>(id);
  if (main_id == kNobody) return out;
  join(settings.sure,
       [&](std::uint16_t a, std::uint16_t b) { return a != main_id && b != main_id && !other[a] && !other[b]; });
  for (auto& w : who)
    if (w != kNobody) w = into[w];

  struct Part {
    std::uint16_t id = kNobody;
    std::size_t voxels = 0, own = 0, theirs = 0, within = 0;  // theirs: labelled as a neighbour
    std::vector<Eigen::Vector3i> all;                         // its voxels, if it is small
    Border border;
  };
  const double voxel = r.h * r.h * r.h;
  const auto most_kept = static_cast<std::size_t>(4 * settings.most_fleck_mm3 / voxel);
  // Its blurred skin makes a small piece look twice its size: it ends halfway between its own brightness and soft
  // tissue. Number of voxels, and their centre.
  const auto core = [&](const Part& p) {
    std::vector<float> values;
    for (const auto& q : p.all) values.push_back(r.grey[r.at(q.x(), q.y(), q.z())]);
    const auto bright = values.begin() + static_cast<std::ptrdiff_t>(9 * values.size() / 10);
    std::nth_element(values.begin(), bright, values.end());
    const double half = 0.5 * (scan.levels.soft + static_cast<double>(*bright));
    std::size_t inside = 0;
    Vec3 sum = Vec3::Zero();
    for (const auto& q : p.all) {
      if (static_cast<double>(r.grey[r.at(q.x(), q.y(), q.z())]) <= half) continue;
      ++inside;
      sum += r.local(q.x(), q.y(), q.z());
    }
    return std::pair(inside, Vec3(sum / static_cast<double>(std::max<std::size_t>(1, inside))));
  };
  std::map<std::uint16_t, Part> parts;
  eachVoxel(r, [&](std::size_t n, int i, int j, int k) {
    if (who[n] == kNobody || r.label[n] == 0) return;
    Part& p = parts[who[n]];
    p.id = who[n];
    ++p.voxels;
    p.own += r.label[n] == own;
    p.theirs += r.label[n] != own && r.label[n] < kOther;
    if (p.all.size() < most_kept) p.all.emplace_back(i, j, k);
    p.within += shape.value(r.local(i, j, k)) < kTemplateMm;
  });
  for (const auto& [key, b] : borders)
    for (const std::uint16_t id : {key.first, key.second})
      if (const auto it = parts.find(id); it != parts.end() && !other[key.first] && !other[key.second])
        it->second.border.rim += b.rim, it->second.border.bright += b.bright;

  const DeformedBone* c1 = findBone(posed, Bone::kC1);
  const DistanceField cuneiform = c1 != nullptr ? DistanceField(c1->mesh, 0.8, kFarFromC1Mm + 1) : DistanceField();
  double nearest = kFarFromC1Mm;  // of the second base to the medial cuneiform: there may be a gap between them
  if (c1 != nullptr)
    for (const Vec3& v : findBone(posed, Bone::kM2)->mesh.vertices) nearest = std::min(nearest, cuneiform.value(v));
  std::map<std::uint16_t, std::uint8_t> names;  // new labels of the parts
  std::vector<std::pair<const Part*, FoundFragment>> found;
  for (const auto& [id, p] : parts) {
    if (id == main_id || other[id]) continue;
    FoundFragment f;
    f.volume_mm3 = static_cast<double>(p.voxels) * voxel;
    f.rim_bright = p.border.brightShare();
    // A fleck is a small piece where the ligament between the medial cuneiform and the second base runs. It may be
    // labelled as a neighbour's, but must be no more than a fleck: dim cancellous bone at a cuneiform's end looks small
    // to core().
    if (p.all.size() == p.voxels && f.rim_bright <= settings.sure && c1 != nullptr &&
        static_cast<double>(p.theirs) * voxel <= settings.most_fleck_mm3) {
      const auto [voxels, middle] = core(p);
      const double mm3 = static_cast<double>(voxels) * voxel, away = cuneiform.value(middle);
      if (mm3 >= settings.least_fleck_mm3 && mm3 <= settings.most_fleck_mm3 && shape.value(middle) < kFleckReachMm &&
          away < std::min(kFleckReachMm + nearest, kFarFromC1Mm)) {
        out.flecks.push_back({mm3, middle});
        names[id] = 0;
        continue;
      }
    }
    if (f.volume_mm3 >= settings.least_mm3 && 2 * std::max(p.own, p.within) > p.voxels) found.emplace_back(&p, f);
  }
  std::stable_sort(found.begin(), found.end(),
                   [](const auto& a, const auto& b) { return a.second.volume_mm3 > b.second.volume_mm3; });
  for (auto& [p, f] : found) {
    // Unlabelled bone may be part of a piece whose rest is labelled as a neighbour's.
    if (named[p->id] == kUnnamed || f.rim_bright > settings.sure ||
        static_cast<int>(out.fragments.size()) == kMostFragments) {
      out.doubtful.push_back(f);
      continue;
    }
    f.label = static_cast<std::uint8_t>(kFirstFragmentLabel + out.fragments.size());
    names[p->id] = f.label;
    out.fragments.push_back(f);
  }
  if (names.empty()) return out;
  names[main_id] = own;  // with bone labelled as a neighbour's: breaks mislead the labelling
  for (auto& w : who)    // a doubtful piece stays in its bone
    if (w != kNobody && !other[w] && !names.contains(w) && parts.contains(w) && 2 * parts[w].own > parts[w].voxels)
      w = main_id;
  const auto crack = crackOf(scan, r, who, inner, names);
  eachVoxel(r, [&](std::size_t n, int i, int j, int k) {
    if (who[n] == kNobody) return;
    if (r.label[n] == 0 || r.label[n] == kUnnamed) {  // unlabelled bone of a piece
      const auto name = names.find(who[n]);
      if (name == names.end() || name->second == own || static_cast<double>(r.grey[n]) < scan.levels.bone) return;
    }
    const Eigen::Vector3i q = r.low + Eigen::Vector3i(i, j, k);
    std::uint8_t& l = labels[scan.calm.offset(q.x(), q.y(), q.z())];
    if (crack[n])
      l = 0;
    else if (const auto name = names.find(who[n]); name != names.end())
      l = name->second;
  });
  return out;
}

}  // namespace rayset::bones
