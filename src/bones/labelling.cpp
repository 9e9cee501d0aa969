#include "bones/labelling.h"

#include <tbb/parallel_for.h>

#include <algorithm>
#include <cmath>

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
constexpr double kPlatesFrom = 0.25;  ///< brighter than both sides by this (of the contrast): two plates in contact
constexpr double kBucket = 0.02;
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
  /// True where a seed of another bone is nearer to the voxel than any of `bone`: within reach of that seed, farther
  /// where `bone` has seeds of its own to stand on.
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

/// The home of each bone: the piece with most of its core. Bones may share a home where they touch, but only if the
/// piece is big enough for all of them; otherwise the one with the weakest claim looks elsewhere. `expected`: voxels of
/// each bone.
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
/// closed in the image is part of the neighbour's piece. Then two things come together that neither a poor fit nor a
/// small bone brings: a good deal of the metatarsal's core lies in that piece, and about as much is missing in its own.
/// The metatarsal competes for the piece; findFragments() parts it from the corner afterwards.
void shareBroken(std::vector<Piece>& pieces, const std::vector<DeformedBone>& bones,
                 const std::vector<double>& expected) {
  constexpr double kCore = 0.015;   // of the whole bone: 0.026 seen, and nothing where no corner is lost
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

/// A template that lies over its neighbour has its core there as well, beyond the joint: of a tarsal bone's cores,
/// which are compact, only the largest part counts.
void dropBeyondPlates(const Image& image, const std::vector<DeformedBone>& bones, std::vector<std::uint8_t>& who) {
  for (std::size_t b = 0; b < bones.size(); ++b) {
    if (!bones[b].found || rayOf(bones[b].id) || label(bones[b].id) > 12) continue;
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

}  // namespace

Labelling labelBones(const ScanImage& scan, const std::vector<std::uint8_t>& exterior,
                     const std::vector<DeformedBone>& bones, const std::vector<double>& core_mm,
                     const std::vector<Marker>& markers) {
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
  const Marked marked(markers, bones);
  constexpr double kBand = 7.0;
  tbb::parallel_for(std::size_t{0}, bones.size(), [&](std::size_t b) {
    Field& f = fields[b];
    f.label = label(bones[b].id);
    if (!bones[b].found) return;
    // Coarse is enough: the templates are smooth and the thresholds lie a millimetre and more from their surface.
    const DistanceField field(bones[b].mesh, 1.2, kBand);
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

  // What may be labelled: everything that is not outside. Marrow and pores are shut in and belong to their bone.
  const auto level = static_cast<float>(scan.levels.bone);
  // A thin or porous cortex lets the outside leak into dark cancellous bone: deep inside a fitted template everything
  // is bone. Not so in the second metatarsal, whose base breaks: its dark gaps are real; nor where the template lies
  // badly.
  std::vector<std::uint8_t> outside = exterior;
  tbb::parallel_for(std::size_t{0}, bones.size(), [&](std::size_t b) {
    if (!bones[b].found || bones[b].id == Bone::kM2 || core_mm[b] > kTrustedCoreMm) return;
    const Field& f = fields[b];
    const auto deep = static_cast<float>(-core_mm[b] - 0.3);
    std::size_t at = 0;
    for (int z = 0; z < f.size.z(); ++z)
      for (int y = 0; y < f.size.y(); ++y)
        for (int x = 0; x < f.size.x(); ++x, ++at) {
          if (f.d[at] >= deep) continue;
          const std::size_t n = image.offset(f.low.x() + x, f.low.y() + y, f.low.z() + z);
          if (which[n] == b) outside[n] = 0;
        }
  });
  const auto isBone = [&](std::size_t n) { return outside[n] == 0; };
  const double contrast = scan.levels.bright - scan.levels.soft;

  constexpr std::uint8_t kOtherIndex = 254, kLumpIndex = 253;
  std::vector<std::uint8_t> who(image.count(), 255);
  constexpr float kNever = -1;  // what is no bone is not reached
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
  std::vector<float> plates(image.count(), -1.0F);
  const auto brightAt = [&](std::size_t n, int i, int j, int k) {
    if (plates[n] < 0) plates[n] = brightSheet(image, scan.levels, i, j, k);
    return static_cast<double>(plates[n]) / contrast;
  };
  // How far a voxel stands out as two plates in contact, less what texture does.
  const auto platesAt = [&](std::size_t n, int i, int j, int k) {
    return std::max(0.0, brightAt(n, i, j, k) - kPlatesFrom);
  };
  // Pieces: what holds together when one layer of voxels is taken off. Most joints are open in the image, so most
  // pieces are one bone each, whatever the template's fit.
  constexpr std::uint32_t kNone = 0xffffffffU;
  std::vector<std::uint32_t> piece(image.count(), kNone);
  const std::array<std::ptrdiff_t, 6> six = image.six();
  std::vector<Piece> pieces;
  {
    std::vector<std::uint8_t> inner(image.count(), 0);
    tbb::parallel_for(1, nz - 1, [&](int k) {
      for (int j = 1; j < ny - 1; ++j)
        for (int i = 1; i < nx - 1; ++i) {
          const std::size_t n = image.offset(i, j, k);
          bool all = isBone(n);
          for (const std::ptrdiff_t d : six) all = all && isBone(beside(n, d));
          inner[n] = all;
        }
    });
    const Components parts(image.size, inner);
    pieces.resize(parts.count());
    for (std::size_t p = 0; p < pieces.size(); ++p) {
      pieces[p].voxels = parts.voxels()[p];
      pieces[p].votes.assign(bones.size(), 0);
    }
    for (const Run& run : parts.runs()) {
      Piece& p = pieces[run.piece];
      for (std::size_t n = run.from; n < run.to; ++n) {
        piece[n] = run.piece;
        if (which[n] != 255 && static_cast<double>(nearest[n]) < -core_mm[which[n]]) ++p.votes[which[n]];
        if (nearest[n] > static_cast<float>(kFar)) ++p.far;
      }
    }
  }
  std::vector<double> expected(bones.size(), 0.0);  // voxels
  for (std::size_t b = 0; b < bones.size(); ++b)
    if (bones[b].found) expected[b] = volume(bones[b].mesh) / (h * h * h);
  claim(pieces, bones, expected);
  // Toes and sesamoids are several parts with one home between them: where their core lies in another bone's piece, the
  // joint between them is closed in the image, and they compete for it.
  std::vector<std::size_t> many_parts;
  for (std::size_t b = 0; b < bones.size(); ++b)
    if (bones[b].found && (bones[b].id == Bone::kToes || bones[b].id == Bone::kSesamoids)) many_parts.push_back(b);
  for (auto& p : pieces)
    for (const std::size_t b : many_parts)
      if (!p.claimants.empty() && p.votes[b] >= kLeastVotes &&
          std::find(p.claimants.begin(), p.claimants.end(), b) == p.claimants.end())
        p.claimants.push_back(b);
  shareBroken(pieces, bones, expected);
  for (const auto& m : marked.voxels())
    if (piece[m.voxel] < pieces.size()) pieces[piece[m.voxel]].mark(m.bone);
  for (auto& p : pieces) p.settleMarks();

  // Seeds.
  std::vector<std::uint8_t> whole(pieces.size(), 255);  // the single owner of a piece
  for (std::size_t p = 0; p < pieces.size(); ++p) {
    const auto& q = pieces[p];
    if (q.claimants.size() == 1 && !q.marks.empty()) {
      whole[p] = static_cast<std::uint8_t>(q.claimants[0]);
    } else if (q.claimants.size() == 1) {
      // One owner: all of it where the size is right (the template may lie badly); a larger piece only if very little
      // of it is far from every template. Otherwise something has grown onto the bone: a leg, or the toe beyond a head.
      // What sticks out of a metatarsal is its head or the toe behind a closed joint, which the size does not tell.
      const double size = static_cast<double>(q.voxels) / expected[q.claimants[0]];
      const bool sticks_out = rayOf(bones[q.claimants[0]].id) && q.far * 50 > q.voxels && q.far * 4 < q.voxels;
      if (!sticks_out && ((size < 1.15 && q.far * 6 < q.voxels) || (size < 1.9 && q.far * 12 < q.voxels)))
        whole[p] = static_cast<std::uint8_t>(q.claimants[0]);
    } else if (q.claimants.empty() && q.voxels > 60) {
      // Nobody's home: a phalanx, a sesamoid or a chip. Toes and sesamoids are several pieces; the rest stays unnamed.
      const auto most = std::max_element(q.votes.begin(), q.votes.end());
      const auto b = static_cast<std::size_t>(most - q.votes.begin());
      const bool one_of_many = *most > 0 && std::find(many_parts.begin(), many_parts.end(), b) != many_parts.end();
      whole[p] = one_of_many ? static_cast<std::uint8_t>(b) : kOtherIndex;
    }
  }
  tbb::parallel_for(0, nz, [&](int k) {
    for (std::size_t n = image.offset(0, 0, k); n < image.offset(0, 0, k + 1); ++n) {
      if (piece[n] >= pieces.size()) continue;
      const std::uint32_t p = piece[n];
      if (whole[p] != 255) {
        who[n] = whole[p];
        continue;
      }
      if (which[n] != 255 && static_cast<double>(nearest[n]) < -core_mm[which[n]]) {
        const auto& c = pieces[p].claimants;
        if (std::find(c.begin(), c.end(), which[n]) == c.end())
          continue;  // a poor fit reaching into somebody else's piece
        // A core does not extend across a joint.
        const Eigen::Vector3i v = image.voxel(n);
        if (platesAt(n, v.x(), v.y(), v.z()) > 0) continue;
        if (static_cast<double>(nearest[n]) > -4.0 && sheetAt(n, v.x(), v.y(), v.z()) > kSheetCut) continue;
        if (!pieces[p].marks.empty() && marked.overrules(which[n], n, image)) continue;
        who[n] = which[n];
      } else if (nearest[n] > static_cast<float>(kFar) && image.v[n] >= level && !pieces[p].claimants.empty() &&
                 pieces[p].marks.empty()) {
        who[n] = kOtherIndex;
      }
    }
  });
  dropBeyondPlates(image, bones, who);
  for (const auto& m : marked.voxels()) who[m.voxel] = static_cast<std::uint8_t>(m.bone);
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
  // The flood starts from the rim of what has an owner: voxels among their own kind reach nothing.
  std::vector<std::vector<std::uint32_t>> rims(static_cast<std::size_t>(nz));
  tbb::parallel_for(0, nz, [&](int k) {
    auto& rim = rims[static_cast<std::size_t>(k)];
    for (int j = 0; j < ny; ++j)
      for (int i = 0; i < nx; ++i) {
        const std::size_t n = image.offset(i, j, k);
        if (who[n] == 255) {
          if (!isBone(n)) arrival[n] = kNever;
          continue;
        }
        arrival[n] = 0;
        const bool inner = i > 0 && j > 0 && k > 0 && i < nx - 1 && j < ny - 1 && k < nz - 1;
        if (!inner || std::any_of(step.begin(), step.end(), [&](std::ptrdiff_t d) { return who[beside(n, d)] == 255; }))
          rim.push_back(static_cast<std::uint32_t>(n));
      }
  });
  for (const auto& rim : rims) buckets[0].insert(buckets[0].end(), rim.begin(), rim.end());
  // What the flood will ask for, found beforehand on all threads.
  tbb::parallel_for(0, nz, [&](int k) {
    std::size_t n = image.offset(0, 0, k);
    for (int j = 0; j < ny; ++j)
      for (int i = 0; i < nx; ++i, ++n)
        if (who[n] == 255 && isBone(n)) (void)sheetAt(n, i, j, k), (void)platesAt(n, i, j, k);
  });
  for (std::size_t slot = 0; slot < buckets.size(); ++slot) {
    for (std::size_t q = 0; q < buckets[slot].size(); ++q) {
      const std::size_t n = buckets[slot][q];
      if (static_cast<std::size_t>(static_cast<double>(arrival[n]) / kBucket) != slot)
        continue;  // reached sooner meanwhile
      const Eigen::Vector3i at = image.voxel(n);
      const bool inner = image.inner(n);
      const std::uint8_t b = who[n];
      for (std::size_t d = 0; d < 26; ++d) {
        const int x = at.x() + offset[d][0], y = at.y() + offset[d][1], z = at.z() + offset[d][2];
        if (!inner && (x < 0 || y < 0 || z < 0 || x >= nx || y >= ny || z >= nz)) continue;
        const std::size_t to = beside(n, step[d]);
        const auto reachedAt = [&](double cost) { return static_cast<double>(arrival[n]) + length[d] * cost; };
        const double in_time = static_cast<double>(arrival[to]) - 1e-6;
        // Costs only add up: what is late by the cheapest way is not asked for more.
        double cost = 1;
        if (reachedAt(cost) >= in_time) continue;
        cost += kBarrier * platesAt(to, x, y, z);
        if (reachedAt(cost) >= in_time) continue;
        const double s = std::max(0.0, sheetAt(to, x, y, z) - 0.05);
        if (b == kOtherIndex) {
          cost += kBarrier * s;
        } else {
          // A bone marked by hand is not held to its template, which was wrong.
          const double depth = marked.has(b) ? std::min(0.0, static_cast<double>(distance(b, x, y, z)))
                                             : static_cast<double>(distance(b, x, y, z));
          if (depth > kReach && !(piece[n] < pieces.size() && whole[piece[n]] == b)) continue;
          // Inside its own template a bone passes its marrow freely; outside every millimetre costs more.
          cost += kBarrier * s * smoothStep((depth + 2.0) / 1.6) + 0.7 * std::max(0.0, depth - 0.5);
        }
        if (reachedAt(cost) >= in_time) continue;
        arrival[to] = static_cast<float>(reachedAt(cost));
        who[to] = b;
        push(to, static_cast<double>(arrival[to]));
      }
    }
    std::vector<std::uint32_t>().swap(buckets[slot]);
  }
  // A template may lie a little over its neighbour: only well inside it is a voxel beyond dispute. Something of every
  // bone is: a border cut from too little shrinks around it.
  constexpr double kBeyondDispute = 1.5;  // mm deeper than the core
  constexpr double kLeastSure = 0.1;      // of the template's volume; 0.15 to 0.6 where the fit is good
  std::vector<double> sure_depth(bones.size(), 0.0);
  tbb::parallel_for(std::size_t{0}, bones.size(), [&](std::size_t b) {
    if (!bones[b].found) return;
    std::vector<float> inside;
    for (const float d : fields[b].d)
      if (d < 0) inside.push_back(d);
    sure_depth[b] = core_mm[b] + kBeyondDispute;
    if (inside.empty()) return;
    const auto least = inside.begin() + static_cast<std::ptrdiff_t>(kLeastSure * static_cast<double>(inside.size()));
    std::nth_element(inside.begin(), least, inside.end());
    sure_depth[b] = std::min(sure_depth[b], -static_cast<double>(*least));
  });
  const auto sure = [&](std::size_t n, std::uint8_t b) {
    if (b == kLumpIndex) return true;
    if (b == kOtherIndex) return nearest[n] > static_cast<float>(kFar);
    if (piece[n] < pieces.size() && whole[piece[n]] == b) return true;
    return which[n] == b && static_cast<double>(nearest[n]) < -sure_depth[b];
  };
  // A template bent around a neighbour took it along. The second metatarsal may be parted by a break, toes and
  // sesamoids are several pieces anyway.
  const auto mayBeParted = [&](std::uint8_t b) {
    return label(bones[b].id) <= 12 && bones[b].id != Bone::kM2 && !marked.has(b);
  };
  partLumps(image, brightAt, bones.size(), mayBeParted, kLumpIndex, who);
  (void)bringHome(image, sheetAt, bones, expected, contrast, kLumpIndex, who);
  settleBorders(image, sheetAt, brightAt, sure, who);
  std::replace(who.begin(), who.end(), kLumpIndex, kOtherIndex);
  bool divided = bringHome(image, sheetAt, bones, expected, contrast, kOtherIndex, who);
  // A toe that took the end of a metatarsal gives it back.
  for (const std::size_t b : many_parts)
    divided |= bringHome(image, sheetAt, bones, expected, contrast, static_cast<std::uint8_t>(b), who);
  if (divided) settleBorders(image, sheetAt, brightAt, sure, who);
  std::vector<std::uint8_t> trimmed(bones.size());
  for (std::size_t b = 0; b < bones.size(); ++b) trimmed[b] = mayBeParted(static_cast<std::uint8_t>(b)) ? 1 : 0;
  trimLeaves(image, trimmed, kOtherIndex, who);
  tbb::parallel_for(0, nz, [&](int k) {
    for (std::size_t n = image.offset(0, 0, k); n < image.offset(0, 0, k + 1); ++n)
      if (who[n] != 255) out.labels[n] = who[n] == kOtherIndex ? kOther : fields[who[n]].label;
  });
  // How much of each bone's border lies against another bone.
  using Counts = std::array<std::size_t, 256>;
  std::vector<std::pair<Counts, Counts>> counted(static_cast<std::size_t>(nz));
  tbb::parallel_for(1, nz - 1, [&](int k) {
    auto& [border, against] = counted[static_cast<std::size_t>(k)];
    for (int j = 1; j < ny - 1; ++j)
      for (int i = 1; i < nx - 1; ++i) {
        const std::size_t n = image.offset(i, j, k);
        const std::uint8_t l = out.labels[n];
        if (l == 0) continue;
        for (const std::ptrdiff_t d : six) {
          const std::uint8_t o = out.labels[beside(n, d)];
          if (o == l) continue;
          ++border[l];
          if (o != 0) ++against[l];
        }
      }
  });
  for (std::size_t b = 0; b < bones.size(); ++b) {
    std::size_t all = 0, shared = 0;
    for (const auto& [border, against] : counted) {
      all += border[fields[b].label];
      shared += against[fields[b].label];
    }
    if (all > 0) out.touching[b] = static_cast<float>(static_cast<double>(shared) / static_cast<double>(all));
  }
  return out;
}

}  // namespace rayset::bones
