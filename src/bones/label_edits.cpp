#include "bones/label_edits.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <functional>
#include <queue>

#include "anatomy/labels.h"
#include "geometry/nearest.h"

namespace rayset::bones {
namespace {

constexpr double kSnapMm = 2.0;       ///< a point this near to a bone means the bone
constexpr double kSplitSeedMm = 1.5;  ///< radius of the seeds of a split
constexpr double kSheetCost = 25.0;   ///< as in the labelling: crossing a joint against crossing bone
constexpr double kBridgeMm = 4.0;     ///< pieces farther from their bone than this are not joined
constexpr std::size_t kLeastVoxels = 50;

using Index = Eigen::Vector3i;

/// Voxels of the image in a ball, nearest first where `f` asks for order.
void forBall(const Image& image, const Vec3& centre, double radius,
             const std::function<void(const Index&, std::size_t, double)>& f) {
  Index low, high;
  for (int a = 0; a < 3; ++a) {
    low[a] = std::max(0, static_cast<int>(std::ceil((centre[a] - radius) / image.h)));
    high[a] = std::min(image.size[a] - 1, static_cast<int>(std::floor((centre[a] + radius) / image.h)));
  }
  for (int k = low.z(); k <= high.z(); ++k)
    for (int j = low.y(); j <= high.y(); ++j)
      for (int i = low.x(); i <= high.x(); ++i) {
        const double d = (image.h * Vec3(i, j, k) - centre).norm();
        if (d <= radius) f({i, j, k}, image.offset(i, j, k), d);
      }
}

/// The nearest voxel within `radius` that satisfies `wanted`; its offset, or nothing.
std::optional<std::size_t> nearestVoxel(const Image& image, const Vec3& centre, double radius,
                                        const std::function<bool(std::size_t)>& wanted) {
  std::optional<std::size_t> best;
  double least = 1e9;
  forBall(image, centre, radius, [&](const Index&, std::size_t n, double d) {
    if (d < least && wanted(n)) least = d, best = n;
  });
  return best;
}

template <class F>
void forNeighbours(const Image& image, std::size_t n, const F& f) {
  const Index q = image.voxel(n);
  for (int a = 0; a < 3; ++a)
    for (const int d : {-1, 1}) {
      Index r = q;
      r[a] += d;
      if (r[a] >= 0 && r[a] < image.size[a]) f(image.offset(r.x(), r.y(), r.z()));
    }
}

/// Connected voxels (faces) that satisfy `wanted`, from `start`.
std::vector<std::size_t> connected(const Image& image, std::size_t start,
                                   const std::function<bool(std::size_t)>& wanted) {
  std::vector<std::uint8_t> seen(image.count(), 0);
  std::vector<std::size_t> out{start};
  seen[start] = 1;
  for (std::size_t at = 0; at < out.size(); ++at)
    forNeighbours(image, out[at], [&](std::size_t n) {
      if (seen[n] != 0 || !wanted(n)) return;
      seen[n] = 1;
      out.push_back(n);
    });
  return out;
}

Message named(Bone b) { return {"bones.bone_with_id", {{"bone", nameOf(b)}, {"id", boneId(b)}}}; }
bool isBone(std::uint8_t value) { return value > 0 && value < kFirstFragmentLabel; }
Message named(std::uint8_t value) {
  return isBone(value) ? named(static_cast<Bone>(value)) : Message("bones.unnamed_bone");
}
std::string spot(const Vec3& p) { return fmt::format("({:.1f}, {:.1f}, {:.1f})", p.x(), p.y(), p.z()); }

class Editor {
 public:
  Editor(const Edits& edits, const ScanImage& scan, const std::vector<std::uint8_t>& exterior,
         std::vector<std::uint8_t>& labels)
      : edits_(edits), scan_(scan), image_(scan.grey), exterior_(exterior), labels_(labels) {}

  Result<EditedLabels> run() {
    for (const SeedEdit& e : edits_.seeds) {
      out_.by_hand.insert(e.bone);
      out_.applied.push_back(Message("bones.bone_given", {{"spot", spot(e.point)}, {"bone", named(e.bone)}}));
    }
    Status s;
    for (std::size_t n = 0; s && n < edits_.splits.size(); ++n) s = split(n);
    for (std::size_t n = 0; s && n < edits_.merges.size(); ++n) s = merge(n);
    for (std::size_t n = 0; s && n < edits_.removals.size(); ++n) s = remove(n);
    if (s) s = rename();
    if (!s) return tl::unexpected(s.error());
    return std::move(out_);
  }

 private:
  [[nodiscard]] Vec3 local(const Vec3& p) const { return scan_.X_PL.inverse() * p; }
  [[nodiscard]] std::size_t count(Bone b) const {
    return static_cast<std::size_t>(std::count(labels_.begin(), labels_.end(), label(b)));
  }
  [[nodiscard]] tl::unexpected<Error> refuse(std::string_view list, std::size_t n, std::string_view field, Message what,
                                             Message remedy) const {
    return fail(Fault::kRequest, std::move(what), editPlace(edits_, list, n, field), std::move(remedy));
  }

  Status split(std::size_t n) {
    const SplitEdit& e = edits_.splits[n];
    const std::uint8_t first = label(e.first), second = label(e.second);
    if (count(e.first) + count(e.second) == 0)
      return refuse("splits", n, "bones",
                    Message("bones.neither_nor_found", {{"bone", named(e.first)}, {"other", named(e.second)}}),
                    Message("bones.name_bones_program_mixed_up"));
    const auto ours = [&](std::size_t v) { return labels_[v] == first || labels_[v] == second; };
    if (e.plane) {
      const Vec3 point = local(e.plane->point), normal = scan_.X_PL.linear().transpose() * e.plane->normal;
      for (std::size_t v = 0; v < labels_.size(); ++v) {
        if (!ours(v)) continue;
        const Vec3 d = image_.centre(v) - point;
        if (e.reach_mm && d.norm() > *e.reach_mm) continue;
        labels_[v] = d.dot(normal) > 0 ? second : first;
      }
    } else if (Status s = splitBySeeds(n, ours); !s) {
      return s;
    }
    for (const Bone b : {e.first, e.second})
      if (count(b) < kLeastVoxels)
        return refuse(
            "splits", n, e.plane ? "plane" : "seeds", Message("bones.cut_leaves_nothing", {{"bone", named(b)}}),
            e.plane ? Message("bones.move_plane_turn_normal_first_bone") : Message("bones.put_seeds_farther_apart"));
    out_.by_hand.insert({e.first, e.second});
    out_.applied.push_back(
        Message("bones.cut_apart",
                {{"bone", named(e.first)}, {"other", named(e.second)}, {"how", e.plane ? "plane" : "seeds"}}));
    return {};
  }

  /// Both bones' voxels go to the seeds they reach more cheaply; crossing a dark sheet costs as in the labelling.
  Status splitBySeeds(std::size_t n, const std::function<bool(std::size_t)>& ours) {
    const SplitEdit& e = edits_.splits[n];
    const double contrast = scan_.levels.bright - scan_.levels.soft, sigma = std::max(0.5, scan_.calm_sigma_mm);
    struct Front {
      double cost;
      std::size_t voxel;
      bool operator>(const Front& o) const { return cost != o.cost ? cost > o.cost : voxel > o.voxel; }
    };
    std::priority_queue<Front, std::vector<Front>, std::greater<>> queue;
    std::map<std::size_t, double> reached;
    std::map<std::size_t, std::uint8_t> owner;
    for (const auto& [bone, seeds] : {std::pair{e.first, &e.first_seeds}, std::pair{e.second, &e.second_seeds}})
      for (std::size_t m = 0; m < seeds->size(); ++m) {
        const Vec3 at = local((*seeds)[m]);
        const auto centre = nearestVoxel(image_, at, kSnapMm, ours);
        if (!centre)
          return refuse("splits", n, fmt::format("seeds.{}[{}]", boneId(bone), m),
                        Message("bones.point_lies_neither_bone", {{"spot", spot((*seeds)[m])}}),
                        Message("bones.put_inside_what_program_called",
                                {{"bone", boneId(e.first)}, {"bone_2", boneId(e.second)}}));
        forBall(image_, image_.centre(*centre), kSplitSeedMm, [&, &bone = bone](const Index&, std::size_t v, double) {
          if (!ours(v)) return;
          if (reached.emplace(v, 0.0).second) queue.push({0, v});
          owner.emplace(v, label(bone));
        });
      }
    while (!queue.empty()) {
      const Front f = queue.top();
      queue.pop();
      if (f.cost > reached.at(f.voxel)) continue;
      const std::uint8_t who = owner.at(f.voxel);
      forNeighbours(image_, f.voxel, [&](std::size_t v) {
        if (!ours(v)) return;
        const Index q = image_.voxel(v);
        const double sheet = static_cast<double>(darkSheet(scan_.calm, q.x(), q.y(), q.z(), sigma)) / contrast;
        const double cost = f.cost + image_.h * (1 + kSheetCost * std::max(0.0, sheet - 0.05));
        const auto it = reached.find(v);
        if (it != reached.end() && it->second <= cost) return;
        reached[v] = cost;
        owner[v] = who;
        queue.push({cost, v});
      });
    }
    for (const auto& [v, who] : owner) labels_[v] = who;
    return {};
  }

  Status merge(std::size_t n) {
    const MergeEdit& e = edits_.merges[n];
    if (!e.point) return {};  // by id: mergeFragments(), once the fragments are known
    const std::uint8_t into = label(e.into);
    if (count(e.into) == 0)
      return refuse("merges", n, "into", Message("bones.not_found", {{"bone", named(e.into)}}),
                    Message("bones.name_bone_found"));
    const auto start = nearestVoxel(image_, local(*e.point), kSnapMm,
                                    [&](std::size_t v) { return labels_[v] != 0 || exterior_[v] == 0; });
    if (!start)
      return refuse("merges", n, "point", Message("bones.point_lies_no_bone", {{"spot", spot(*e.point)}}),
                    Message("bones.put_inside_piece"));
    const std::uint8_t was = labels_[*start];
    const auto piece =
        connected(image_, *start, [&](std::size_t v) { return labels_[v] == was && (was != 0 || exterior_[v] == 0); });
    if (was == into && 2 * piece.size() > count(e.into))
      return refuse("merges", n, "point",
                    Message("bones.point_already_lies", {{"spot", spot(*e.point)}, {"bone", named(e.into)}}),
                    Message("bones.put_inside_piece_should_belong"));
    if (was == 0 && piece.size() * std::pow(image_.h, 3) > 60000)
      return refuse("merges", n, "point", Message("bones.point_lies_no_piece_own", {{"spot", spot(*e.point)}}),
                    Message("bones.use_seed"));
    std::vector<std::uint8_t> mine(labels_.size(), 0);
    for (const std::size_t v : piece) mine[v] = 1;
    // What is left of the bone it joins; if they do not touch, the narrowest part of the gap is filled, because a bone
    // is one closed surface.
    Points body, edge;
    bool touches = false;
    const auto border = [&](std::size_t v) {
      bool is = false;
      forNeighbours(image_, v, [&](std::size_t w) { is = is || labels_[w] != labels_[v]; });
      return is;
    };
    for (const std::size_t v : piece) {
      if (!border(v)) continue;
      edge.push_back(image_.centre(v));
      forNeighbours(image_, v, [&](std::size_t w) { touches = touches || (labels_[w] == into && mine[w] == 0); });
    }
    for (std::size_t v = 0; v < labels_.size(); ++v)
      if (labels_[v] == into && mine[v] == 0 && border(v)) body.push_back(image_.centre(v));
    if (edge.empty()) edge.push_back(image_.centre(*start));
    const NearestPoints to_body(std::move(body)), to_piece(edge);
    double gap = 1e9;
    for (const Vec3& p : edge) gap = std::min(gap, to_body.nearest(p).distance);
    if (gap > kBridgeMm)
      return refuse("merges", n, "point",
                    Message("bones.piece_lies", {{"spot", spot(*e.point)}, {"gap", mm(gap)}, {"bone", named(e.into)}}),
                    Message("bones.only_pieces_within_their_bone_can", {{"bridge_mm", mm(kBridgeMm, 0)}}));
    for (const std::size_t v : piece) labels_[v] = into;
    if (!touches) {
      const double reach = 0.5 * gap + 1.0;
      for (const Vec3& p : edge)
        forBall(image_, p, reach, [&](const Index& q, std::size_t v, double) {
          if (labels_[v] == 0 && to_body.nearest(image_.h * q.cast<double>()).distance < reach) labels_[v] = into;
        });
    }
    out_.by_hand.insert(e.into);
    if (isBone(was)) out_.by_hand.insert(static_cast<Bone>(was));
    out_.applied.push_back(
        Message("bones.piece_3_joined",
                {{"spot", spot(*e.point)},
                 {"bone", named(was)},
                 {"volume", Quantity{static_cast<double>(piece.size()) * std::pow(image_.h, 3), Unit::kMm3, 0}},
                 {"other", named(e.into)}}));
    return {};
  }

  Status remove(std::size_t n) {
    const Bone b = edits_.removals[n];
    if (count(b) == 0)
      return refuse("remove", n, {}, Message("bones.not_found", {{"bone", named(b)}}),
                    Message("bones.leave_entry_out"));
    std::replace(labels_.begin(), labels_.end(), label(b), kOther);
    out_.removed.insert(b);
    out_.applied.push_back(Message("bones.removed", {{"bone", named(b)}}));
    return {};
  }

  Status rename() {
    std::array<std::uint8_t, 256> table{};
    for (std::size_t v = 0; v < table.size(); ++v) table[v] = static_cast<std::uint8_t>(v);
    std::set<Bone> leaving;
    for (const RenameEdit& r : edits_.renames) leaving.insert(r.from);
    for (std::size_t n = 0; n < edits_.renames.size(); ++n) {
      const RenameEdit& r = edits_.renames[n];
      if (count(r.from) == 0)
        return refuse("renames", n, "from", Message("bones.not_found", {{"bone", named(r.from)}}),
                      Message("bones.name_bone_found"));
      if (!leaving.contains(r.to) && count(r.to) > 0)
        return refuse("renames", n, "to", Message("bones.already", {{"bone", named(r.to)}}),
                      Message("bones.rename_too_remove_merge_two"));
      table[label(r.from)] = label(r.to);
      out_.former[r.to] = r.from;
      out_.applied.push_back(Message("bones.what_called", {{"bone", boneId(r.from)}, {"bone", named(r.to)}}));
    }
    if (edits_.renames.empty()) return {};
    for (auto& v : labels_) v = table[v];
    std::set<Bone> renamed;
    for (const Bone b : out_.by_hand) renamed.insert(static_cast<Bone>(table[label(b)]));
    out_.by_hand = std::move(renamed);
    for (const RenameEdit& r : edits_.renames) out_.by_hand.insert(r.to);
    return {};
  }

  const Edits& edits_;
  const ScanImage& scan_;
  const Image& image_;
  const std::vector<std::uint8_t>& exterior_;
  std::vector<std::uint8_t>& labels_;
  EditedLabels out_;
};

}  // namespace

Result<std::vector<Marker>> seedMarkers(const Edits& edits, const ScanImage& scan,
                                        const std::vector<std::uint8_t>& exterior) {
  const Image& image = scan.grey;
  const auto is_bone = [&](std::size_t v) { return exterior[v] == 0; };
  struct Claim {
    double distance;
    Bone bone;
    Vec3 centre;
    double clear_mm;
  };
  std::map<std::size_t, Claim> claims;
  for (std::size_t n = 0; n < edits.seeds.size(); ++n) {
    const SeedEdit& e = edits.seeds[n];
    const Vec3 at = scan.X_PL.inverse() * e.point;
    const auto centre = nearestVoxel(image, at, e.radius_mm, is_bone);
    if (!centre) {
      const bool away = image.depth(at) < -1;
      const auto near = nearestVoxel(image, at, 15, is_bone);
      const std::string far = near ? fmt::format("{:.1f} mm", (image.centre(*near) - at).norm()) : "over 15 mm";
      return fail(Fault::kRequest,
                  away ? Message("bones.point_lies_outside_foot", {{"spot", spot(e.point)}})
                       : Message("bones.point_lies_soft_tissue_nearest_bone",
                                 {{"spot", spot(e.point)},
                                  {"at", Quantity{static_cast<double>(image.linear(at)), Unit::kHu, 0}},
                                  {"far", far}}),
                  editPlace(edits, "seeds", n, "point"), Message("bones.put_inside_bone"));
    }
    // The part of the ball connected to its centre: a ball reaching across a joint does not jump it.
    const Vec3 middle = image.centre(*centre);
    std::set<std::size_t> ball;
    forBall(image, middle, e.radius_mm, [&](const Index&, std::size_t v, double) {
      if (is_bone(v)) ball.insert(v);
    });
    std::vector<std::size_t> grown{*centre};
    ball.erase(*centre);
    for (std::size_t q = 0; q < grown.size(); ++q)
      forNeighbours(image, grown[q], [&](std::size_t v) {
        if (ball.erase(v) > 0) grown.push_back(v);
      });
    for (const std::size_t v : grown) {
      const double d = (image.centre(v) - middle).norm();
      const auto it = claims.find(v);
      if (it == claims.end() || d < it->second.distance)
        claims.insert_or_assign(v, Claim{d, e.bone, middle, std::max(5.0, 3 * e.radius_mm)});
    }
  }
  std::vector<Marker> out;
  for (const auto& [v, c] : claims) out.push_back({v, c.bone, c.centre, c.clear_mm});
  return out;
}

Result<EditedLabels> editLabels(const Edits& edits, const ScanImage& scan, const std::vector<std::uint8_t>& exterior,
                                std::vector<std::uint8_t>& labels) {
  return Editor(edits, scan, exterior, labels).run();
}

Status mergeFragments(const Edits& edits, FragmentFindings& pieces, std::vector<std::uint8_t>& labels,
                      EditedLabels& edited) {
  std::set<std::uint8_t> merged;
  for (std::size_t n = 0; n < edits.merges.size(); ++n) {
    const MergeEdit& e = edits.merges[n];
    if (e.point) continue;
    const auto found = std::find_if(pieces.fragments.begin(), pieces.fragments.end(), [&](const FoundFragment& f) {
      return fmt::format("M2.{}", &f - pieces.fragments.data() + 1) == e.fragment;
    });
    if (found == pieces.fragments.end())
      return fail(Fault::kRequest, Message("bones.no_fragment", {{"fragment", e.fragment}}),
                  editPlace(edits, "merges", n, "fragment"),
                  pieces.fragments.empty()
                      ? Message("bones.no_fragment_found_give_point_inside")
                      : Message("bones.fragments_m2_1_m2", {{"fragments", pieces.fragments.size()}}));
    for (std::uint8_t& l : labels)
      if (l == found->label) l = label(e.into);
    edited.applied.push_back(Message("bones.fragment_joined", {{"fragment", e.fragment}, {"bone", named(e.into)}}));
    edited.by_hand.insert(e.into);
    merged.insert(found->label);
  }
  std::erase_if(pieces.fragments, [&](const FoundFragment& f) { return merged.contains(f.label); });
  return {};
}

}  // namespace rayset::bones
