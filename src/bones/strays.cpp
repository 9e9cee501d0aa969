#include "bones/strays.h"

#include <tbb/blocked_range.h>
#include <tbb/parallel_reduce.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <optional>
#include <unordered_set>
#include <utility>

namespace rayset::bones {
namespace {

constexpr double kDip = 0.05;      ///< a joint is darker than its sides by more than this fraction of the contrast
constexpr double kRise = 0.3;      ///< two plates that touch are brighter than their sides by more than this
constexpr double kGapLess = 0.07;  ///< mean depth of sheets on a face without a gap, as a fraction of the contrast

/// An end is joined to its bone by the bone's whole section (0.92 and more seen); a toe or a sesamoid to a head by a
/// patch that is small compared with the head behind it (0.37 to 0.64 seen; 0.76 and 0.80 if every joint is 0.3 mm
/// wide).
constexpr double kFullCalibre = 0.86;

/// A cap is flat: its contact^1.5 over its size (voxels). Half a ball has 2.7; a sesamoid, half as high as it is long,
/// lay against a first head with 2.02.
constexpr double kCap = 2, kCapOfRay = 4;

/// No metatarsal is shorter than this fraction of the longest. A shorter one lacks an end, which joins it where its
/// shaft is thinnest: a section that blur alone darkens, by up to kDipOfShaft (0.10 seen).
constexpr double kShortest = 0.8, kDipOfShaft = 0.15;

constexpr std::size_t kLeastEnd = 200;  ///< voxels of a lost end that is connected to a toe

using Part = std::vector<std::uint32_t>;

/// Appearance of the face between a part and a bone.
struct Face {
  /// How much darker it is than both sides, two to four voxels away (HU); a joint dips even if blur has all but closed
  /// it.
  double dip = 0;
  /// How much brighter it is than both sides, two to four voxels away (HU): two touching plates stand out as one.
  double rise = 0;
  double calibre = 0;  ///< its size relative to the bone's own section behind it; 1: the bone ends at full calibre
};

/// Means are taken over whole layers of voxels, so that noise averages out.
Face faceBetween(const Image& image, const std::vector<std::uint8_t>& owner, const std::vector<std::uint32_t>& part,
                 std::uint8_t part_mark, std::uint8_t bone_mark, const std::array<std::ptrdiff_t, 6>& six) {
  std::vector<std::uint32_t> mine, theirs;
  for (const std::uint32_t n : part) {
    if (!image.inner(n)) continue;
    bool meets = false;
    for (const std::ptrdiff_t d : six)
      if (owner[beside(n, d)] == bone_mark) meets = true, theirs.push_back(static_cast<std::uint32_t>(beside(n, d)));
    if (meets) mine.push_back(n);
  }
  struct Layer {
    double mean = -1e9;
    std::size_t voxels = 0;
  };
  const auto layersOf = [&](std::vector<std::uint32_t> layer, std::uint8_t mark, std::size_t count) {
    std::vector<Layer> out(count);
    std::unordered_set<std::uint32_t> seen(layer.begin(), layer.end());
    layer.assign(seen.begin(), seen.end());
    std::sort(layer.begin(), layer.end());
    for (Layer& of : out) {
      double sum = 0;
      std::vector<std::uint32_t> next;
      for (const std::uint32_t n : layer) {
        sum += static_cast<double>(image.v[n]);
        if (!image.inner(n)) continue;
        for (const std::ptrdiff_t d : six) {
          const auto t = static_cast<std::uint32_t>(beside(n, d));
          if (owner[t] == mark && seen.insert(t).second) next.push_back(t);
        }
      }
      of.voxels = layer.size();
      if (!layer.empty()) of.mean = sum / static_cast<double>(layer.size());
      layer.swap(next);
    }
    return out;
  };
  constexpr double kBehindMm = 3.0;
  const auto behind = std::max<std::size_t>(5, static_cast<std::size_t>(std::lround(kBehindMm / image.h)));
  const auto a = layersOf(std::move(mine), part_mark, 5), b = layersOf(std::move(theirs), bone_mark, behind + 1);
  Face face;
  const double here = std::min({a[0].mean, a[1].mean, b[0].mean, b[1].mean});
  face.dip = std::min(std::max({a[2].mean, a[3].mean, a[4].mean}), std::max({b[2].mean, b[3].mean, b[4].mean})) - here;
  const auto far = [](const std::vector<Layer>& l) { return std::min({l[2].mean, l[3].mean, l[4].mean}); };
  if (a[4].voxels > 0 && b[4].voxels > 0)  // a flake is bright throughout
    face.rise = std::max({a[0].mean, a[1].mean, b[0].mean, b[1].mean}) - std::max(far(a), far(b));
  if (b[behind].voxels > 0)  // a crumb of the bone has no section
    face.calibre = static_cast<double>(b[0].voxels) / static_cast<double>(b[behind].voxels);
  return face;
}

/// Of the bone's template along its longest axis.
std::pair<double, double> reachAlong(const DeformedBone& bone, const PrincipalAxes& axes) {
  double low = 1e9, high = -1e9;
  for (const Vec3& v : bone.mesh.vertices) {
    const double at = axes.axes.col(0).dot(v - axes.centre);
    low = std::min(low, at);
    high = std::max(high, at);
  }
  return {low, high};
}

struct Lengths {
  std::vector<double> by_voxels;  ///< of each metatarsal's voxels along its template's axis, mm; 0 for other bones
  double longest = 0;             ///< of the longest metatarsal
};

/// The longest metatarsal is measured by its template or, if that has settled on half of it, by its voxels. One that
/// includes its toe is no measure: by voxels it is at most a little longer than the next.
Lengths lengthsOf(const Image& image, const std::vector<std::uint8_t>& owner, const std::vector<DeformedBone>& bones) {
  struct Line {
    bool counts = false;
    Vec3 per_voxel = Vec3::Zero();
    double start = 0, of_template = 0;
  };
  std::vector<Line> lines(bones.size());
  for (std::size_t b = 0; b < bones.size(); ++b) {
    if (!bones[b].found || !rayOf(bones[b].id)) continue;
    const PrincipalAxes axes = principalAxes(bones[b].mesh.vertices);
    const auto [low, high] = reachAlong(bones[b], axes);
    lines[b] = {true, image.h * axes.axes.col(0), -axes.axes.col(0).dot(axes.centre), high - low};
  }
  using Reaches = std::vector<std::pair<double, double>>;
  const Reaches reach = tbb::parallel_reduce(
      tbb::blocked_range<int>(0, image.size.z()), Reaches(bones.size(), {0.0, 0.0}),
      [&](const tbb::blocked_range<int>& slices, Reaches some) {
        for (int k = slices.begin(); k < slices.end(); ++k) {
          std::size_t n = image.offset(0, 0, k);
          for (int j = 0; j < image.size.y(); ++j)
            for (int i = 0; i < image.size.x(); ++i, ++n) {
              const std::size_t b = owner[n];
              if (b >= lines.size() || !lines[b].counts) continue;
              const double at = lines[b].start + lines[b].per_voxel.dot(Vec3(i, j, k));
              some[b] = {std::min(some[b].first, at), std::max(some[b].second, at)};
            }
        }
        return some;
      },
      [](Reaches a, const Reaches& b) {
        for (std::size_t n = 0; n < a.size(); ++n)
          a[n] = {std::min(a[n].first, b[n].first), std::max(a[n].second, b[n].second)};
        return a;
      });
  constexpr double kAboveNext = 1.12;  // the second above the third: 1.09 in the longest seen
  Lengths out{std::vector<double>(bones.size(), 0.0)};
  double by_template = 0, longest = 0, next = 0;
  for (std::size_t b = 0; b < bones.size(); ++b) {
    if (!lines[b].counts) continue;
    out.by_voxels[b] = reach[b].second - reach[b].first;
    by_template = std::max(by_template, lines[b].of_template);
    const double length = std::max(lines[b].of_template, out.by_voxels[b]);
    if (length > longest)
      next = std::exchange(longest, length);
    else
      next = std::max(next, length);
  }
  out.longest = std::max(by_template, std::min(longest, kAboveNext * next));
  return out;
}

/// True if the part may be the end of the bone: in line with its long axis, and not so long that it must include the
/// toe. The bone's own template may have settled on half of it, so the longest metatarsal is the measure (the shortest
/// is 0.8 of it, and the smallest proximal phalanx adds a third).
bool mayBeEnd(const Image& image, const Part& part, const DeformedBone& bone, double longest_mm) {
  const PrincipalAxes axes = principalAxes(bone.mesh.vertices);
  const Vec3 axis = axes.axes.col(0);
  auto [low, high] = reachAlong(bone, axes);
  Vec3 middle = Vec3::Zero();
  for (const std::size_t n : part) {
    const Vec3 v = image.centre(n) - axes.centre;
    low = std::min(low, axis.dot(v));
    high = std::max(high, axis.dot(v));
    middle += v / static_cast<double>(part.size());
  }
  const double along = std::abs(axis.dot(middle));
  const double beside = std::sqrt(std::max(0.0, middle.squaredNorm() - along * along));
  return along > 0.2 * longest_mm && beside < 0.3 * along && high - low < 1.15 * longest_mm;
}

/// The part of an end that may be the bone's own if a toe is joined to it through a closed joint: up to the section,
/// among those where a metatarsal may end, that is narrowest and darkest compared with the head before it and the toe
/// behind it (the neck is as narrow, but has only the shaft before it). Nothing without such a waist. The border is
/// refined afterwards.
Part withoutToe(const Image& image, const SheetAt& sheet, const Part& part, const DeformedBone& bone,
                double longest_mm) {
  const PrincipalAxes axes = principalAxes(bone.mesh.vertices);
  const auto along = [&](std::size_t n) { return axes.axes.col(0).dot(image.centre(n) - axes.centre); };
  double middle = 0;
  for (const std::uint32_t n : part) middle += along(n);
  const double way = middle < 0 ? -1 : 1;
  const auto [low, high] = reachAlong(bone, axes);
  const double base = way > 0 ? low : -high;  // where the bone begins, counted towards the end
  constexpr double kLongest = 1.1;            // of the longest metatarsal
  constexpr double kToeMm = 10;               // length examined behind a joint
  const double from = base + kShortest * longest_mm, to = base + kLongest * longest_mm;
  struct Section {
    double voxels = 0, dark = 0;
  };
  std::vector<Section> sections(static_cast<std::size_t>(std::max(1.0, std::ceil((to + kToeMm - base) / image.h))));
  for (const std::uint32_t n : part) {
    const double at = (way * along(n) - base) / image.h;
    if (at < 0 || at >= static_cast<double>(sections.size())) continue;
    Section& s = sections[static_cast<std::size_t>(at)];
    ++s.voxels;
    const Eigen::Vector3i v = image.voxel(n);
    s.dark += sheet(n, v.x(), v.y(), v.z());
  }
  const auto bony = [&](std::size_t q) { return sections[q].voxels - 2 * sections[q].dark; };
  std::vector<double> after(sections.size() + 1, 0.0);
  for (std::size_t q = sections.size(); q-- > 0;) after[q] = std::max(after[q + 1], bony(q));
  double before = 0, deepest = 0, cut = base;
  for (std::size_t q = 0; q < sections.size(); ++q) {
    const double at = base + (static_cast<double>(q) + 0.5) * image.h;
    const double depth = std::min(before, after[q + 1]) - bony(q);
    if (at >= from && at < to && depth > deepest) deepest = depth, cut = at;
    before = std::max(before, bony(q));
  }
  Part near;
  for (const std::uint32_t n : part)
    if (way * along(n) < cut) near.push_back(n);
  return near;
}

}  // namespace

bool bringHome(const Image& image, const SheetAt& sheet, const std::vector<DeformedBone>& bones,
               const std::vector<double>& expected, double contrast_hu, std::uint8_t stray,
               std::vector<std::uint8_t>& owner) {
  const std::array<std::ptrdiff_t, 6> six = image.six();
  std::optional<Lengths> lengths;  // as labelled now; measured when a stray touches a metatarsal
  std::vector<std::uint8_t> seen(owner.size(), 0);
  Part part;
  bool divided = false;
  for (std::size_t start = 0; start < owner.size(); ++start) {
    if (owner[start] != stray || seen[start]) continue;
    part.assign(1, static_cast<std::uint32_t>(start));
    seen[start] = 1;
    std::vector<std::size_t> faces(bones.size(), 0);
    std::vector<double> dark(bones.size(), 0.0);
    for (std::size_t q = 0; q < part.size(); ++q) {
      const std::size_t n = part[q];
      if (!image.inner(n)) continue;
      const Eigen::Vector3i v = image.voxel(n);
      for (const std::ptrdiff_t d : six) {
        const std::size_t t = beside(n, d);
        if (owner[t] == stray) {
          if (!seen[t]) seen[t] = 1, part.push_back(static_cast<std::uint32_t>(t));
        } else if (owner[t] < bones.size()) {
          ++faces[owner[t]];
          dark[owner[t]] += sheet(n, v.x(), v.y(), v.z());
        }
      }
    }
    // The bone it touches most is tried first.
    std::vector<std::size_t> touched;
    for (std::size_t b = 0; b < faces.size(); ++b)
      if (faces[b] >= 20) touched.push_back(b);
    std::stable_sort(touched.begin(), touched.end(), [&](std::size_t a, std::size_t b) { return faces[a] > faces[b]; });
    const auto size = static_cast<double>(part.size());
    for (const std::size_t b : touched) {
      const auto mark = static_cast<std::uint8_t>(b);
      const bool ray = rayOf(bones[b].id).has_value();
      if (ray && !lengths) lengths = lengthsOf(image, owner, bones);
      const auto contact = static_cast<double>(faces[b]);
      const Face face = faceBetween(image, owner, part, stray, mark, six);
      // Noise and cancellous texture make sheets too: the mean over the whole face shows whether there is a joint.
      const bool plates = face.rise > kRise * contrast_hu, joined = !plates && face.dip < kDip * contrast_hu;
      const bool too_short = ray && lengths->by_voxels[b] < kShortest * lengths->longest;
      const bool cap = std::pow(contact, 1.5) > (ray ? kCapOfRay : kCap) * size;
      bool home = cap && !plates && dark[b] / contact < kGapLess;
      if (!home && !ray)  // a heel longer than its template continues at its full section
        home = joined && size < (face.calibre > kFullCalibre ? 1 : cap ? 0.5 : 0.1) * expected[b];
      else if (!home && (joined || (!plates && too_short && face.dip < kDipOfShaft * contrast_hu)) &&
               face.calibre > kFullCalibre) {
        home = mayBeEnd(image, part, bones[b], lengths->longest);
        if (!home) {
          const Part near = withoutToe(image, sheet, part, bones[b], lengths->longest);
          if (near.size() >= kLeastEnd && near.size() < part.size() &&
              mayBeEnd(image, near, bones[b], lengths->longest)) {
            for (const std::uint32_t n : near) owner[n] = mark;
            divided = true;
            break;
          }
        }
      }
      if (!home) continue;
      for (const std::uint32_t n : part) owner[n] = mark;
      break;
    }
  }
  return divided;
}

}  // namespace rayset::bones
