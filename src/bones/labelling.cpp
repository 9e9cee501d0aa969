#include "bones/labelling.h"

#include <tbb/parallel_for.h>

#include <algorithm>
#include <cmath>
#include <optional>

#include "bones/borders.h"
#include "bones/components.h"
#include "bones/leaves.h"
#include "bones/lumps.h"
#include "bones/strays.h"
#include "geometry/distance_field.h"

namespace rayset::bones {
namespace {

constexpr double kFar = 6.0;        ///< mm outside every template: surely another bone
constexpr double kReach = 6.0;      ///< mm outside its template a bone may extend
constexpr double kSheetCut = 0.12;  ///< a core does not extend across a sheet deeper than this fraction of the contrast
constexpr double kBarrier = 25.0;  ///< cost of a sheet as deep as the bone's contrast, per mm, against 1 for plain bone
constexpr double kPlatesFrom = 0.25;     ///< brighter than both sides by this (of the contrast): two plates in contact
constexpr double kBucket = 0.02;         ///< of the flood: voxels whose costs differ by less are unordered
constexpr float kNever = -1;             ///< arrival of the flood at a voxel that is not bone
constexpr std::size_t kLeastVotes = 20;  ///< voxels of a bone's core that make a claim
constexpr double kTrustedCoreMm = 2.8;   ///< deeper cores mean that the fitted template has few edges on it

/// A connected piece of the bone mask less its outermost layer.
struct Piece {
  std::size_t voxels = 0, far = 0;     ///< all; those far from every template
  std::vector<std::size_t> votes;      ///< voxels in the core of each bone
  std::vector<std::size_t> claimants;  ///< bones whose home it is, strongest first
  std::vector<std::size_t> marks;      ///< bones marked in it by hand

  void mark(std::size_t bone) {
    if (std::find(marks.begin(), marks.end(), bone) == marks.end()) marks.push_back(bone);
  }
  /// Marks replace a single owner and join several.
  void settleMarks() {
    if (marks.empty()) return;
    if (claimants.size() < 2) claimants.clear();
    for (const std::size_t b : marks)
      if (std::find(claimants.begin(), claimants.end(), b) == claimants.end()) claimants.push_back(b);
  }
};

/// The markers by index of bone.
class Marked {
 public:
  struct Voxel {
    std::size_t voxel, bone;
  };
  Marked(const std::vector<Marker>& markers, const std::vector<DeformedBone>& bones) : has_(bones.size(), false) {
    for (const Marker& m : markers)
      for (std::size_t b = 0; b < bones.size(); ++b) {
        if (bones[b].id != m.bone) continue;
        has_[b] = true;
        voxels_.push_back({m.voxel, b});
        if (std::none_of(centres_.begin(), centres_.end(),
                         [&](const Centre& c) { return c.bone == b && c.at == m.centre; }))
          centres_.push_back({m.centre, b, m.clear_mm});
      }
  }
  [[nodiscard]] const std::vector<Voxel>& voxels() const { return voxels_; }
  [[nodiscard]] bool has(std::size_t bone) const { return has_[bone]; }
  /// True if a seed of another bone is nearer to the voxel than any of `bone`: within reach of that seed, farther if
  /// `bone` has seeds of its own.
  [[nodiscard]] bool overrules(std::size_t bone, std::size_t voxel, const Image& image) const {
    const Vec3 p = image.centre(voxel);
    constexpr double kSeededReach = 15;  // mm
    double own = 1e9, other = 1e9;
    for (const Centre& c : centres_) {
      const double d = (p - c.at).norm();
      if (c.bone == bone) {
        own = std::min(own, d);
      } else if (d < (has_[bone] ? kSeededReach : c.clear_mm)) {
        other = std::min(other, d);
      }
    }
    return other < own;
  }

 private:
  struct Centre {
    Vec3 at;
    std::size_t bone;
    double clear_mm;
  };
  std::vector<bool> has_;
  std::vector<Voxel> voxels_;
  std::vector<Centre> centres_;
};

/// The home of each bone: the piece with most of its core. Touching bones may share a home, but only if the piece is
/// big enough for all of them; otherwise the one with the weakest claim looks elsewhere. `expected`: voxels of each
/// bone.
void claim(std::vector<Piece>& pieces, const std::vector<DeformedBone>& bones, const std::vector<double>& expected) {
  const std::size_t nowhere = pieces.size();
  std::vector<std::size_t> home(bones.size(), nowhere);
  std::vector<std::vector<std::size_t>> refused(bones.size());
  const auto settle = [&](std::size_t b) {
    home[b] = nowhere;
    std::size_t most = 0, all = 0;
    for (std::size_t p = 0; p < pieces.size(); ++p) {
      const std::size_t votes = pieces[p].votes[b];
      all += votes;
      if (votes <= most || std::find(refused[b].begin(), refused[b].end(), p) != refused[b].end()) continue;
      most = votes;
      home[b] = p;
    }
    if (most < kLeastVotes || static_cast<double>(most) < 0.04 * static_cast<double>(all)) home[b] = nowhere;
  };
  const auto gather = [&] {
    for (auto& p : pieces) p.claimants.clear();
    for (std::size_t b = 0; b < bones.size(); ++b)
      if (home[b] != nowhere) pieces[home[b]].claimants.push_back(b);
    for (auto& p : pieces)
      std::stable_sort(p.claimants.begin(), p.claimants.end(),
                       [&](std::size_t x, std::size_t y) { return p.votes[x] > p.votes[y]; });
  };
  for (std::size_t b = 0; b < bones.size(); ++b)
    if (bones[b].found) settle(b);
  gather();
  for (int round = 0; round < 12; ++round) {
    bool changed = false;
    for (std::size_t p = 0; p < pieces.size() && !changed; ++p) {
      const auto& c = pieces[p].claimants;
      if (c.size() < 2) continue;
      double wanted = 0;
      for (const std::size_t b : c) wanted += expected[b];
      // Its outermost layer is about a fifth of a small bone.
      if (1.25 * static_cast<double>(pieces[p].voxels) > 0.8 * wanted) continue;
      // Weakest: the smallest part of the bone's own core lies here.
      std::size_t weakest = c.front();
      double least = 2;
      for (const std::size_t b : c) {
        const double part = static_cast<double>(pieces[p].votes[b]) / std::max(1.0, expected[b]);
        if (part < least) least = part, weakest = b;
      }
      refused[weakest].push_back(p);
      settle(weakest);
      changed = true;
    }
    if (!changed) break;
    gather();
  }
}

/// A corner that broke off the second metatarsal's base and lies so close to a neighbour that the gap between them has
/// closed in the image is part of the neighbour's piece. Then two things coincide that neither a poor fit nor a small
/// bone causes: much of the metatarsal's core lies in that piece, and about as much is missing from its own. The
/// metatarsal competes for the piece; findFragments() separates the corner afterwards.
void shareBroken(std::vector<Piece>& pieces, const std::vector<DeformedBone>& bones,
                 const std::vector<double>& expected) {
  constexpr double kCore = 0.015;   // of the whole bone: 0.026 seen, and nothing if no corner is lost
  constexpr double kLacking = 0.9;  // whole bones fill 0.93 to 0.97 of what is expected, without their outermost layer
  const auto at = std::find_if(bones.begin(), bones.end(), [](const auto& b) { return b.id == Bone::kM2 && b.found; });
  if (at == bones.end()) return;
  const auto m2 = static_cast<std::size_t>(at - bones.begin());
  const auto claims = [m2](const Piece& p) {
    return std::find(p.claimants.begin(), p.claimants.end(), m2) != p.claimants.end();
  };
  const auto home = std::find_if(pieces.begin(), pieces.end(), claims);
  if (home == pieces.end() || home->claimants.size() != 1 ||
      static_cast<double>(home->voxels) > kLacking * expected[m2])
    return;
  for (Piece& p : pieces)
    if (p.claimants.size() == 1 && !claims(p) && static_cast<double>(p.votes[m2]) > kCore * expected[m2])
      p.claimants.push_back(m2);
}

/// A template that overlaps its neighbour has core there too, beyond the joint: as a tarsal bone's core is compact,
/// only its largest part counts.
void dropBeyondPlates(const Image& image, const std::vector<DeformedBone>& bones, std::vector<std::uint8_t>& who) {
  for (std::size_t b = 0; b < bones.size(); ++b) {
    if (!bones[b].found || rayOf(bones[b].id) || !isMidfootBone(bones[b].id)) continue;
    const Components parts(image.size, who, static_cast<std::uint8_t>(b));
    const std::uint32_t largest = parts.largest();
    for (const Run& run : parts.runs())
      if (run.piece != largest)
        std::fill(who.begin() + static_cast<std::ptrdiff_t>(run.from),
                  who.begin() + static_cast<std::ptrdiff_t>(run.to), std::uint8_t{255});
  }
}

double smoothStep(double t) {
  t = std::clamp(t, 0.0, 1.0);
  return t * t * (3 - 2 * t);
}

// What a voxel belongs to: the index of a bone, or one of these.
constexpr std::uint8_t kNobody = 255, kOtherBone = 254, kLump = 253;

/// Distances to the fitted templates, each on the image grid around it.
class TemplateDistances {
 public:
  static constexpr double kBand = 7.0;

  TemplateDistances(const Image& image, const std::vector<DeformedBone>& bones)
      : fields_(bones.size()), nearest_(image.count(), static_cast<float>(kBand)), which_(image.count(), kNobody) {
    tbb::parallel_for(std::size_t{0}, bones.size(), [&](std::size_t b) {
      if (bones[b].found) fields_[b] = Field(image, bones[b].mesh);
    });
    for (std::size_t b = 0; b < bones.size(); ++b)
      each(image, b, [&](std::size_t n, float d) {
        if (d < nearest_[n]) nearest_[n] = d, which_[n] = static_cast<std::uint8_t>(b);
      });
  }

  /// To the template of one bone.
  [[nodiscard]] float to(std::size_t b, int i, int j, int k) const {
    const Field& f = fields_[b];
    const int x = i - f.low.x(), y = j - f.low.y(), z = k - f.low.z();
    if (x < 0 || y < 0 || z < 0 || x >= f.size.x() || y >= f.size.y() || z >= f.size.z())
      return static_cast<float>(kBand);
    return f.d[f.offset(x, y, z)];
  }
  /// The nearest template of a voxel, kNobody if none is near, and its distance.
  [[nodiscard]] std::uint8_t which(std::size_t n) const { return which_[n]; }
  [[nodiscard]] float nearest(std::size_t n) const { return nearest_[n]; }
  /// All that are known of one template.
  [[nodiscard]] const std::vector<float>& of(std::size_t b) const { return fields_[b].d; }
  /// Calls visit(voxel, distance) wherever that of one template is known, with planes in parallel.
  template <class Visit>
  void each(const Image& image, std::size_t b, const Visit& visit) const {
    const Field& f = fields_[b];
    tbb::parallel_for(0, f.size.z(), [&](int z) {
      for (int y = 0; y < f.size.y(); ++y)
        for (int x = 0; x < f.size.x(); ++x)
          visit(image.offset(f.low.x() + x, f.low.y() + y, f.low.z() + z), f.d[f.offset(x, y, z)]);
    });
  }

 private:
  struct Field {
    Eigen::Vector3i low = Eigen::Vector3i::Zero(), size = Eigen::Vector3i::Zero();
    std::vector<float> d;

    Field() = default;
    Field(const Image& image, const Surface& mesh) {
      // Coarse is enough: the templates are smooth and the thresholds lie a millimetre and more from their surface.
      const DistanceField field(mesh, 1.2, kBand);
      const Box box = bounds(mesh);
      for (int a = 0; a < 3; ++a) {
        low[a] = std::clamp(static_cast<int>(std::floor((box.min()[a] - kBand) / image.h)), 0, image.size[a] - 1);
        const int high =
            std::clamp(static_cast<int>(std::ceil((box.max()[a] + kBand) / image.h)), 0, image.size[a] - 1);
        size[a] = high - low[a] + 1;
      }
      d.resize(static_cast<std::size_t>(size.prod()));
      std::size_t n = 0;
      for (int k = 0; k < size.z(); ++k)
        for (int j = 0; j < size.y(); ++j)
          for (int i = 0; i < size.x(); ++i)
            d[n++] = static_cast<float>(field.value(image.h * (low + Eigen::Vector3i(i, j, k)).cast<double>()));
    }
    [[nodiscard]] std::size_t offset(int x, int y, int z) const {
      return (static_cast<std::size_t>(z) * static_cast<std::size_t>(size.y()) + static_cast<std::size_t>(y)) *
                 static_cast<std::size_t>(size.x()) +
             static_cast<std::size_t>(x);
    }
  };
  std::vector<Field> fields_;
  std::vector<float> nearest_;
  std::vector<std::uint8_t> which_;
};

/// Sheets in the image, computed on first use; a voxel must be requested by only one thread at a time.
class Sheets {
 public:
  explicit Sheets(const ScanImage& scan)
      : scan_(scan), dark_(scan.calm.count(), -1.0F), bright_(scan.calm.count(), -1.0F) {}
  /// Of the bone's contrast: gaps.
  double dark(std::size_t n, int i, int j, int k) {
    if (dark_[n] < 0) dark_[n] = darkSheet(scan_.calm, i, j, k, sigma_);
    return static_cast<double>(dark_[n]) / contrast_;
  }
  double bright(std::size_t n, int i, int j, int k) {
    if (bright_[n] < 0) bright_[n] = brightSheet(scan_.calm, scan_.levels, i, j, k);
    return static_cast<double>(bright_[n]) / contrast_;
  }
  /// How far a voxel stands out as two plates in contact, less the effect of texture.
  double plates(std::size_t n, int i, int j, int k) { return std::max(0.0, bright(n, i, j, k) - kPlatesFrom); }
  [[nodiscard]] double contrast() const { return contrast_; }

 private:
  const ScanImage& scan_;
  double contrast_ = scan_.levels.bright - scan_.levels.soft, sigma_ = std::max(0.5, scan_.calm_sigma_mm);
  std::vector<float> dark_, bright_;
};

/// Pieces: what stays connected when one layer of voxels is removed. Most joints are open in the image, so most pieces
/// are one bone each, whatever the template's fit.
struct Pieces {
  static constexpr std::uint32_t kNone = 0xffffffffU;
  std::vector<std::uint32_t> at;  ///< by voxel
  std::vector<Piece> list;
  std::vector<std::uint8_t> owner;  ///< of the whole piece; kNobody where several compete for it
  [[nodiscard]] bool in(std::size_t n) const { return at[n] < list.size(); }
  [[nodiscard]] bool whollyOf(std::size_t n, std::uint8_t b) const { return in(n) && owner[at[n]] == b; }
};

/// The 26 neighbours of a voxel.
struct Neighbours {
  std::array<std::ptrdiff_t, 26> step{};
  std::array<Eigen::Vector3i, 26> offset{};
  std::array<double, 26> length{};
  explicit Neighbours(const Image& image) {
    std::size_t m = 0;
    for (int c = -1; c <= 1; ++c)
      for (int b = -1; b <= 1; ++b)
        for (int a = -1; a <= 1; ++a) {
          if (a == 0 && b == 0 && c == 0) continue;
          offset[m] = {a, b, c};
          step[m] = (static_cast<std::ptrdiff_t>(c) * image.size.y() + b) * image.size.x() + a;
          length[m] = image.h * std::sqrt(a * a + b * b + c * c);
          ++m;
        }
  }
};

/// Labels the bones of one scan step by step; labelled() shows the order.
class Labeller {
 public:
  Labeller(const ScanImage& scan, const std::vector<DeformedBone>& bones, const std::vector<double>& core_mm,
           const std::vector<Marker>& markers)
      : scan_(scan), bones_(bones), core_mm_(core_mm), marked_(markers, bones) {
    for (std::size_t b = 0; b < bones.size(); ++b) {
      if (!bones[b].found) continue;
      expected_[b] = volume(bones[b].mesh) / (image_.h * image_.h * image_.h);
      if (bones[b].id == Bone::kToes || bones[b].id == Bone::kSesamoids) many_parts_.push_back(b);
    }
  }

  std::vector<std::uint8_t> labelled(const std::vector<std::uint8_t>& exterior);

 private:
  void openDeepInside();
  void findPieces();
  void claimPieces();
  [[nodiscard]] std::uint8_t ownerOf(const Piece& piece) const;
  void plantSeeds();
  [[nodiscard]] std::uint8_t seedAt(std::size_t n);
  void flood();
  [[nodiscard]] std::vector<std::uint32_t> startFlood(std::vector<float>& arrival);
  [[nodiscard]] std::optional<double> reaches(std::size_t from, double start, std::size_t d, const Eigen::Vector3i& at,
                                              double in_time);
  void settle();
  [[nodiscard]] std::vector<double> sureDepths() const;
  [[nodiscard]] std::vector<std::uint8_t> labels() const;

  [[nodiscard]] bool isBone(std::size_t n) const { return outside_[n] == 0; }
  [[nodiscard]] bool inCore(std::size_t n) const {
    const std::uint8_t b = near_.which(n);
    return b != kNobody && static_cast<double>(near_.nearest(n)) < -core_mm_[b];
  }
  [[nodiscard]] bool farFromAll(std::size_t n) const { return near_.nearest(n) > static_cast<float>(kFar); }
  [[nodiscard]] bool hasManyParts(std::size_t b) const {
    return std::find(many_parts_.begin(), many_parts_.end(), b) != many_parts_.end();
  }

  const ScanImage& scan_;
  const std::vector<DeformedBone>& bones_;
  const std::vector<double>& core_mm_;
  const Image& image_ = scan_.calm;
  Marked marked_;
  TemplateDistances near_{image_, bones_};
  Sheets sheets_{scan_};
  Neighbours around_{image_};
  std::vector<double> expected_ = std::vector<double>(bones_.size(), 0.0);  // voxels of each bone
  /// Toes and sesamoids are several parts that share one home.
  std::vector<std::size_t> many_parts_;

  std::vector<std::uint8_t> outside_;
  Pieces pieces_;
  std::vector<std::uint8_t> who_;
};

std::vector<std::uint8_t> Labeller::labelled(const std::vector<std::uint8_t>& exterior) {
  outside_ = exterior;
  openDeepInside();
  findPieces();
  claimPieces();
  for (const Piece& p : pieces_.list) pieces_.owner.push_back(ownerOf(p));
  plantSeeds();
  flood();
  settle();
  return labels();
}

/// Everything that is not outside may be labelled: marrow and pores are enclosed and belong to their bone. A thin or
/// porous cortex lets the outside leak into dark cancellous bone, so deep inside a fitted template everything is bone.
/// Not so in the second metatarsal, whose base breaks: its dark gaps are real; nor if the template fits badly.
void Labeller::openDeepInside() {
  for (std::size_t b = 0; b < bones_.size(); ++b) {
    if (!bones_[b].found || bones_[b].id == Bone::kM2 || core_mm_[b] > kTrustedCoreMm) continue;
    const auto deep = static_cast<float>(-core_mm_[b] - 0.3);
    near_.each(image_, b, [&](std::size_t n, float d) {
      if (d < deep && near_.which(n) == b) outside_[n] = 0;
    });
  }
}

void Labeller::findPieces() {
  const int nx = image_.size.x(), ny = image_.size.y(), nz = image_.size.z();
  const std::array<std::ptrdiff_t, 6> six = image_.six();
  std::vector<std::uint8_t> inner(image_.count(), 0);
  tbb::parallel_for(1, nz - 1, [&](int k) {
    for (int j = 1; j < ny - 1; ++j)
      for (int i = 1; i < nx - 1; ++i) {
        const std::size_t n = image_.offset(i, j, k);
        bool all = isBone(n);
        for (const std::ptrdiff_t d : six) all = all && isBone(beside(n, d));
        inner[n] = all;
      }
  });
  const Components parts(image_.size, inner);
  pieces_.at.assign(image_.count(), Pieces::kNone);
  pieces_.list.resize(parts.count());
  for (std::size_t p = 0; p < pieces_.list.size(); ++p) {
    pieces_.list[p].voxels = parts.voxels()[p];
    pieces_.list[p].votes.assign(bones_.size(), 0);
  }
  for (const Run& run : parts.runs()) {
    Piece& p = pieces_.list[run.piece];
    for (std::size_t n = run.from; n < run.to; ++n) {
      pieces_.at[n] = run.piece;
      if (inCore(n)) ++p.votes[near_.which(n)];
      if (farFromAll(n)) ++p.far;
    }
  }
}

void Labeller::claimPieces() {
  std::vector<Piece>& pieces = pieces_.list;
  claim(pieces, bones_, expected_);
  // If the core of one of many parts lies in another bone's piece, the joint between them is closed in the image, and
  // they compete for it.
  for (Piece& p : pieces)
    for (const std::size_t b : many_parts_)
      if (!p.claimants.empty() && p.votes[b] >= kLeastVotes &&
          std::find(p.claimants.begin(), p.claimants.end(), b) == p.claimants.end())
        p.claimants.push_back(b);
  shareBroken(pieces, bones_, expected_);
  for (const auto& m : marked_.voxels())
    if (pieces_.in(m.voxel)) pieces[pieces_.at[m.voxel]].mark(m.bone);
  for (Piece& p : pieces) p.settleMarks();
}

/// The single owner of a piece.
std::uint8_t Labeller::ownerOf(const Piece& q) const {
  if (q.claimants.size() == 1) {
    const auto owner = static_cast<std::uint8_t>(q.claimants[0]);
    if (!q.marks.empty()) return owner;
    // All of it if the size is right (the template may fit badly); a larger piece only if very little of it is far from
    // every template. Otherwise something is joined to the bone: a leg, or the toe beyond a head. What protrudes from a
    // metatarsal is its head or the toe behind a closed joint; size does not distinguish them.
    const double size = static_cast<double>(q.voxels) / expected_[owner];
    const bool sticks_out = rayOf(bones_[owner].id) && q.far * 50 > q.voxels && q.far * 4 < q.voxels;
    const bool right_size = (size < 1.15 && q.far * 6 < q.voxels) || (size < 1.9 && q.far * 12 < q.voxels);
    return right_size && !sticks_out ? owner : kNobody;
  }
  if (!q.claimants.empty() || q.voxels <= 60) return kNobody;
  // Nobody's home: a phalanx, a sesamoid or a chip. Toes and sesamoids are several pieces; the rest stays unnamed.
  const auto most = std::max_element(q.votes.begin(), q.votes.end());
  const auto b = static_cast<std::size_t>(most - q.votes.begin());
  return *most > 0 && hasManyParts(b) ? static_cast<std::uint8_t>(b) : kOtherBone;
}

void Labeller::plantSeeds() {
  who_.assign(image_.count(), kNobody);
  tbb::parallel_for(0, image_.size.z(), [&](int k) {
    for (std::size_t n = image_.offset(0, 0, k); n < image_.offset(0, 0, k + 1); ++n)
      if (pieces_.in(n)) who_[n] = seedAt(n);
  });
  dropBeyondPlates(image_, bones_, who_);
  for (const auto& m : marked_.voxels()) who_[m.voxel] = static_cast<std::uint8_t>(m.bone);
}

std::uint8_t Labeller::seedAt(std::size_t n) {
  if (const std::uint8_t owner = pieces_.owner[pieces_.at[n]]; owner != kNobody) return owner;
  const Piece& piece = pieces_.list[pieces_.at[n]];
  if (!inCore(n)) {
    const bool other = farFromAll(n) && image_.v[n] >= static_cast<float>(scan_.levels.bone) &&
                       !piece.claimants.empty() && piece.marks.empty();
    return other ? kOtherBone : kNobody;
  }
  const std::uint8_t b = near_.which(n);
  const auto& c = piece.claimants;
  if (std::find(c.begin(), c.end(), b) == c.end()) return kNobody;  // a poor fit reaching into another bone's piece
  // A core does not extend across a joint.
  const Eigen::Vector3i v = image_.voxel(n);
  if (sheets_.plates(n, v.x(), v.y(), v.z()) > 0) return kNobody;
  if (static_cast<double>(near_.nearest(n)) > -4.0 && sheets_.dark(n, v.x(), v.y(), v.z()) > kSheetCut) return kNobody;
  if (!piece.marks.empty() && marked_.overrules(b, n, image_)) return kNobody;
  return b;
}

/// Fills `arrival` for owned voxels and for those that are not bone, and returns the rim of the owned ones: those
/// surrounded by their own kind reach nothing. Computes, on all threads, what the flood will need.
std::vector<std::uint32_t> Labeller::startFlood(std::vector<float>& arrival) {
  const int nx = image_.size.x(), ny = image_.size.y(), nz = image_.size.z();
  std::vector<std::vector<std::uint32_t>> rims(static_cast<std::size_t>(nz));
  tbb::parallel_for(0, nz, [&](int k) {
    std::size_t n = image_.offset(0, 0, k);
    for (int j = 0; j < ny; ++j)
      for (int i = 0; i < nx; ++i, ++n) {
        if (who_[n] == kNobody) {
          if (isBone(n))
            (void)sheets_.dark(n, i, j, k), (void)sheets_.plates(n, i, j, k);
          else
            arrival[n] = kNever;
          continue;
        }
        arrival[n] = 0;
        const bool inner = i > 0 && j > 0 && k > 0 && i < nx - 1 && j < ny - 1 && k < nz - 1;
        if (!inner || std::any_of(around_.step.begin(), around_.step.end(),
                                  [&](std::ptrdiff_t d) { return who_[beside(n, d)] == kNobody; }))
          rims[static_cast<std::size_t>(k)].push_back(static_cast<std::uint32_t>(n));
      }
  });
  std::vector<std::uint32_t> all;
  for (const auto& rim : rims) all.insert(all.end(), rim.begin(), rim.end());
  return all;
}

/// When the owner of `from`, which it reached at `start`, reaches the neighbour in direction `d`, which is at `at`;
/// nothing if too late.
std::optional<double> Labeller::reaches(std::size_t from, double start, std::size_t d, const Eigen::Vector3i& at,
                                        double in_time) {
  const std::size_t to = beside(from, around_.step[d]);
  const std::uint8_t owner = who_[from];
  const auto reached = [&](double cost) { return start + around_.length[d] * cost; };
  // Costs only add up: if the cheapest estimate is too late, nothing more is computed.
  double cost = 1;
  if (reached(cost) >= in_time) return std::nullopt;
  cost += kBarrier * sheets_.plates(to, at.x(), at.y(), at.z());
  if (reached(cost) >= in_time) return std::nullopt;
  const double gap = std::max(0.0, sheets_.dark(to, at.x(), at.y(), at.z()) - 0.05);
  if (owner == kOtherBone) {
    cost += kBarrier * gap;
  } else {
    double depth = static_cast<double>(near_.to(owner, at.x(), at.y(), at.z()));
    if (marked_.has(owner)) depth = std::min(0.0, depth);  // not held to its template, which was wrong
    if (depth > kReach && !pieces_.whollyOf(from, owner)) return std::nullopt;
    // Inside its own template a bone passes its marrow freely; outside every millimetre costs more.
    cost += kBarrier * gap * smoothStep((depth + 2.0) / 1.6) + 0.7 * std::max(0.0, depth - 0.5);
  }
  if (reached(cost) >= in_time) return std::nullopt;
  return reached(cost);
}

/// Bones compete for unowned voxels, each from its certain core: a voxel goes to the bone that reaches it at least
/// cost.
void Labeller::flood() {
  std::vector<float> arrival(image_.count(), 1e9F);
  std::vector<std::vector<std::uint32_t>> buckets{startFlood(arrival)};  // by cost
  const auto slotOf = [](float cost) { return static_cast<std::size_t>(static_cast<double>(cost) / kBucket); };
  for (std::size_t slot = 0; slot < buckets.size(); ++slot) {
    for (std::size_t q = 0; q < buckets[slot].size(); ++q) {
      const std::size_t n = buckets[slot][q];
      if (slotOf(arrival[n]) != slot) continue;  // reached sooner in the meantime
      const Eigen::Vector3i here = image_.voxel(n);
      const bool inner = image_.inner(n);
      for (std::size_t d = 0; d < 26; ++d) {
        const Eigen::Vector3i at = here + around_.offset[d];
        if (!inner && (at.minCoeff() < 0 || (at.array() >= image_.size.array()).any())) continue;
        const std::size_t to = beside(n, around_.step[d]);
        const double in_time = static_cast<double>(arrival[to]) - 1e-6;
        const auto reached = reaches(n, static_cast<double>(arrival[n]), d, at, in_time);
        if (!reached) continue;
        arrival[to] = static_cast<float>(*reached);
        who_[to] = who_[n];
        const std::size_t later = slotOf(arrival[to]);
        if (later >= buckets.size()) buckets.resize(later + 1);
        buckets[later].push_back(static_cast<std::uint32_t>(to));
      }
    }
    std::vector<std::uint32_t>().swap(buckets[slot]);
  }
}

/// How deep inside its template a voxel of each bone is beyond dispute: a template may slightly overlap its neighbour.
/// Some of every bone is: a border cut from too little shrinks around it.
std::vector<double> Labeller::sureDepths() const {
  constexpr double kBeyondDispute = 1.5;  // mm deeper than the core
  constexpr double kLeastSure = 0.1;      // of the template's volume; 0.15 to 0.6 if the fit is good
  std::vector<double> depths(bones_.size(), 0.0);
  tbb::parallel_for(std::size_t{0}, bones_.size(), [&](std::size_t b) {
    if (!bones_[b].found) return;
    std::vector<float> inside;
    for (const float d : near_.of(b))
      if (d < 0) inside.push_back(d);
    depths[b] = core_mm_[b] + kBeyondDispute;
    if (inside.empty()) return;
    const auto least = inside.begin() + static_cast<std::ptrdiff_t>(kLeastSure * static_cast<double>(inside.size()));
    std::nth_element(inside.begin(), least, inside.end());
    depths[b] = std::min(depths[b], -static_cast<double>(*least));
  });
  return depths;
}

/// Moves borders to where they are cheapest, and corrects what the flood gave to the wrong bone.
void Labeller::settle() {
  const SheetAt dark = [&](std::size_t n, int i, int j, int k) { return sheets_.dark(n, i, j, k); };
  const SheetAt bright = [&](std::size_t n, int i, int j, int k) { return sheets_.bright(n, i, j, k); };
  const std::vector<double> sure_depth = sureDepths();
  const auto sure = [&](std::size_t n, std::uint8_t b) {
    if (b == kLump) return true;
    if (b == kOtherBone) return farFromAll(n);
    return pieces_.whollyOf(n, b) || (near_.which(n) == b && static_cast<double>(near_.nearest(n)) < -sure_depth[b]);
  };
  const auto home = [&](std::uint8_t stray) {
    return bringHome(image_, dark, bones_, expected_, sheets_.contrast(), stray, who_);
  };
  // A break may divide the second metatarsal; toes and sesamoids are several pieces anyway.
  const auto inOnePiece = [&](std::uint8_t b) {
    return isMidfootBone(bones_[b].id) && bones_[b].id != Bone::kM2 && !marked_.has(b);
  };
  // A template bent around a neighbour took it along.
  partLumps(image_, bright, bones_.size(), inOnePiece, kLump, who_);
  (void)home(kLump);
  settleBorders(image_, dark, bright, sure, who_);
  std::replace(who_.begin(), who_.end(), kLump, kOtherBone);
  bool divided = home(kOtherBone);
  // A toe that took the end of a metatarsal gives it back.
  for (const std::size_t b : many_parts_) divided |= home(static_cast<std::uint8_t>(b));
  if (divided) settleBorders(image_, dark, bright, sure, who_);
  std::vector<std::uint8_t> trimmed(bones_.size());
  for (std::size_t b = 0; b < bones_.size(); ++b) trimmed[b] = inOnePiece(static_cast<std::uint8_t>(b)) ? 1 : 0;
  trimLeaves(image_, trimmed, kOtherBone, who_);
}

std::vector<std::uint8_t> Labeller::labels() const {
  std::vector<std::uint8_t> out(image_.count(), 0);
  tbb::parallel_for(0, image_.size.z(), [&](int k) {
    for (std::size_t n = image_.offset(0, 0, k); n < image_.offset(0, 0, k + 1); ++n)
      if (who_[n] != kNobody) out[n] = who_[n] == kOtherBone ? kOther : label(bones_[who_[n]].id);
  });
  return out;
}

/// How much of each bone's border lies against another bone.
std::vector<float> touching(const Image& image, const std::vector<std::uint8_t>& labels,
                            const std::vector<DeformedBone>& bones) {
  const int nx = image.size.x(), ny = image.size.y(), nz = image.size.z();
  const std::array<std::ptrdiff_t, 6> six = image.six();
  using Counts = std::array<std::size_t, 256>;  // by label
  std::vector<std::pair<Counts, Counts>> counted(static_cast<std::size_t>(nz));
  tbb::parallel_for(1, nz - 1, [&](int k) {
    auto& [border, against] = counted[static_cast<std::size_t>(k)];
    for (int j = 1; j < ny - 1; ++j)
      for (int i = 1; i < nx - 1; ++i) {
        const std::size_t n = image.offset(i, j, k);
        const std::uint8_t l = labels[n];
        if (l == 0) continue;
        for (const std::ptrdiff_t d : six) {
          const std::uint8_t o = labels[beside(n, d)];
          if (o == l) continue;
          ++border[l];
          if (o != 0) ++against[l];
        }
      }
  });
  std::vector<float> out(bones.size(), 0.0F);
  for (std::size_t b = 0; b < bones.size(); ++b) {
    std::size_t all = 0, shared = 0;
    for (const auto& [border, against] : counted) {
      all += border[label(bones[b].id)];
      shared += against[label(bones[b].id)];
    }
    if (all > 0) out[b] = static_cast<float>(static_cast<double>(shared) / static_cast<double>(all));
  }
  return out;
}

}  // namespace

Labelling labelBones(const ScanImage& scan, const std::vector<std::uint8_t>& exterior,
                     const std::vector<DeformedBone>& bones, const std::vector<double>& core_mm,
                     const std::vector<Marker>& markers) {
  Labelling out;
  out.labels = Labeller(scan, bones, core_mm, markers).labelled(exterior);
  out.touching = touching(scan.calm, out.labels, bones);
  return out;
}

}  // namespace rayset::bones
