// How each measure is taken. All of them are taken in the components of the foot frame, (x, y, z) = (distal, medial,
// dorsal), in which a left foot is its mirror image: from there on every foot is a right foot and no formula depends on
// the side.
#include "injury/measures.h"

#include <tbb/parallel_for.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <functional>
#include <limits>
#include <map>

#include "anatomy/frames.h"
#include "anatomy/section.h"
#include "base/median.h"
#include "geometry/ray_caster.h"
#include "geometry/side.h"

namespace rayset {
namespace {

constexpr double kDegrees = 180 / 3.14159265358979323846;
// Published slice level: 10 mm below the dorsal surface of C1 (area and volume protocol, Bhimani et al.).
constexpr double kLevelBelowC1Mm = 10;
// Where along the interval the three distances are averaged (ours): distances along x from the landmark named.
constexpr double kC1M2From = -4.5, kC1M2To = -0.5;  // from the distal end of C1
constexpr double kM1M2From = 3.0, kM1M2To = 8.0;    // from the proximal end of M1
constexpr double kC1C2From = -8.0, kC1C2To = -2.0;  // from the distal end of C2
constexpr double kStepAlong = 0.5;
// Depth of the rim on either side of a joint line whose height or edge is averaged (ours).
constexpr std::array<double, 5> kRimDepths{1.0, 1.75, 2.5, 3.25, 4.0};

constexpr double kDorsumDropMm = 4;  // slices whose rim lies deeper than this below the highest one show a flank

struct Value {
  double value = 0;
  Vec3 from = Vec3::Zero(), to = Vec3::Zero();  // foot components
};
using Values = std::map<std::string, Value, std::less<>>;

/// A foot in foot components.
struct LocalFoot {
  BoneSurfaces bones;
  Frame frame;

  LocalFoot(const BoneSurfaces& patient, Side side, const Frame& f) : frame(f) {
    for (const Bone bone : kMidfootBones) {
      const auto it = patient.find(bone);
      if (it == patient.end() || it->second.empty()) continue;
      Surface s = it->second;
      for (auto& v : s.vertices) {
        const Vec3 p = v - f.origin;
        v = Vec3(p.dot(f.distal), p.dot(f.medial), p.dot(f.dorsal));
      }
      if (side == Side::kLeft)
        for (auto& t : s.triangles) std::swap(t[0], t[1]);
      bones.emplace(bone, std::move(s));
    }
  }
  [[nodiscard]] const Surface* find(Bone bone) const {
    const auto it = bones.find(bone);
    return it == bones.end() ? nullptr : &it->second;
  }
  [[nodiscard]] Vec3 patient(const Vec3& p) const {
    return frame.origin + p.x() * frame.distal + p.y() * frame.medial + p.z() * frame.dorsal;
  }
};

struct Range {
  double low = std::numeric_limits<double>::infinity(), high = -std::numeric_limits<double>::infinity();
  void add(double v) {
    low = std::min(low, v);
    high = std::max(high, v);
  }
  [[nodiscard]] bool empty() const { return high < low; }
};

// Range of component `across` where the section meets the line "component `along` = at".
Range crossing(const PlaneSection& section, int along, double at, int across) {
  Range range;
  for (const auto& loop : section.loops)
    for (std::size_t i = 0; i < loop.size(); ++i) {
      const Vec3 &a = loop[i], &b = loop[(i + 1) % loop.size()];
      if ((a[along] > at) == (b[along] > at)) continue;
      range.add(a[across] + (b[across] - a[across]) * (at - a[along]) / (b[along] - a[along]));
    }
  return range;
}
Range rangeOf(const PlaneSection& section, int component) {
  Range range;
  for (const auto& loop : section.loops)
    for (const auto& p : loop) range.add(p[component]);
  return range;
}

// --- distances in the axial slice -----------------------------------------------------------------------------------

struct AxialSlice {
  double z = 0;
  PlaneSection of(const Surface& s) const { return planeSection(s, Vec3(0, 0, z), Vec3::UnitZ()); }
};

// Mean transverse width of the gap between a medial and a lateral bone over x in [from, to] where both are cut.
std::optional<Value> transverseGap(const PlaneSection& medial, const PlaneSection& lateral, double from, double to,
                                   double z) {
  Value v;
  int count = 0;
  double sum_x = 0, sum_medial = 0, sum_lateral = 0;
  const int steps = static_cast<int>(std::lround((to - from) / kStepAlong));
  for (int i = 0; i <= steps; ++i) {
    const double x = from + (to - from) * i / steps;
    const Range m = crossing(medial, 0, x, 1), l = crossing(lateral, 0, x, 1);
    if (m.empty() || l.empty()) continue;
    sum_x += x;
    sum_medial += m.low;
    sum_lateral += l.high;
    ++count;
  }
  // A window with less than a third present would compare corners.
  if (count * 3 < steps + 1) return std::nullopt;
  v.from = Vec3(sum_x / count, sum_medial / count, z);
  v.to = Vec3(sum_x / count, sum_lateral / count, z);
  v.value = (sum_medial - sum_lateral) / count;
  return v;
}

// Distal end of a section, robust against single points: upper quartile of the ends of lines along x, 0.5 mm apart.
double steadyDistalEnd(const PlaneSection& section) {
  const Range across = rangeOf(section, 1);
  std::vector<double> ends;
  for (double y = across.low + 2; y < across.high - 2; y += 0.5) {
    const Range r = crossing(section, 1, y, 0);
    if (!r.empty()) ends.push_back(r.high);
  }
  if (ends.size() < 4) return rangeOf(section, 0).high;
  const auto k = ends.begin() + static_cast<std::ptrdiff_t>(ends.size() * 3 / 4);
  std::nth_element(ends.begin(), k, ends.end());
  return *k;
}

void axialDistances(const LocalFoot& foot, Values& values) {
  const Surface* c1 = foot.find(Bone::kC1);
  if (!c1) return;
  const AxialSlice slice{-lowestHeight(*c1, -Vec3::UnitZ()) - kLevelBelowC1Mm};
  const auto c1_cut = slice.of(*c1);
  if (c1_cut.empty()) return;
  const Surface *c2 = foot.find(Bone::kC2), *m1 = foot.find(Bone::kM1), *m2 = foot.find(Bone::kM2);
  const auto keep = [&](const char* key, const std::optional<Value>& v) {
    if (v) values[key] = *v;
  };
  if (c2) {
    const auto cut = slice.of(*c2);
    const double end = rangeOf(cut, 0).high;
    if (!cut.empty()) keep("c1_c2_distance", transverseGap(c1_cut, cut, end + kC1C2From, end + kC1C2To, slice.z));
  }
  if (m2) {
    const auto cut = slice.of(*m2);
    const double end = steadyDistalEnd(c1_cut);
    if (!cut.empty()) keep("c1_m2_distance", transverseGap(c1_cut, cut, end + kC1M2From, end + kC1M2To, slice.z));
    if (m1 && !cut.empty()) {
      const auto m1_cut = slice.of(*m1);
      const double start = rangeOf(m1_cut, 0).low;
      if (!m1_cut.empty())
        keep("m1_m2_distance", transverseGap(m1_cut, cut, start + kM1M2From, start + kM1M2To, slice.z));
    }
  }
}

// --- steps and borders at the joints
// ----------------------------------------------------------------------------------

/// The face of a tarsal bone towards a ray, found without the metatarsal, so that a displaced one cannot drag it along.
struct TarsalFace {
  Vec3 centre = Vec3::Zero(), normal = Vec3::UnitX();
  Range width;               ///< along y
  std::vector<Vec3> points;  ///< on the face
};
/// The joint line of a ray: the plane of the tarsal bone's face and, shifted along x by the gap, the metatarsal's skin.
struct JointLine {
  Vec3 centre = Vec3::Zero(), normal = Vec3::UnitX();
  double gap = 0;  ///< along x

  /// Where the face of the tarsal bone lies on the line (y, z).
  [[nodiscard]] double tarsalAt(double y, double z) const {
    return centre.x() - (normal.y() * (y - centre.y()) + normal.z() * (z - centre.z())) / normal.x();
  }
  [[nodiscard]] double metatarsalAt(double y, double z) const { return tarsalAt(y, z) + gap; }
};

Surface partOf(const Surface& surface, const std::function<bool(const Vec3&)>& wanted) {
  Surface part;
  std::vector<std::uint32_t> number(surface.vertices.size(), std::numeric_limits<std::uint32_t>::max());
  for (const auto& t : surface.triangles) {
    if (!wanted((surface.vertices[t[0]] + surface.vertices[t[1]] + surface.vertices[t[2]]) / 3)) continue;
    Surface::Triangle n{};
    for (std::size_t k = 0; k < 3; ++k) {
      auto& v = number[t[k]];
      if (v == std::numeric_limits<std::uint32_t>::max()) {
        v = static_cast<std::uint32_t>(part.vertices.size());
        part.vertices.push_back(surface.vertices[t[k]]);
      }
      n[k] = v;
    }
    part.triangles.push_back(n);
  }
  return part;
}

std::optional<TarsalFace> tarsalFace(Ray ray, const Surface& tarsal) {
  ArticularFace face = articularFace(tarsal, Vec3::UnitX());
  if (ray >= 4) {
    // The cuboid's distal end carries two facets, the fourth ray's on its medial and the fifth's on its lateral half.
    const double middle = face.centre.y(), back = face.centre.x() - 10, side = ray == 4 ? 1 : -1;
    const Surface half = partOf(tarsal, [&](const Vec3& p) { return side * (p.y() - middle) > 0 && p.x() > back; });
    if (half.triangles.size() < 20) return std::nullopt;
    face = articularFace(half, face.normal);
  }
  if (face.normal.x() < 0.5) return std::nullopt;
  TarsalFace found{face.centre, face.normal, {}, {}};
  for (const auto& t : tarsal.triangles) {
    const Vec3 &a = tarsal.vertices[t[0]], &b = tarsal.vertices[t[1]], &c = tarsal.vertices[t[2]];
    const Vec3 p = (a + b + c) / 3, area = (b - a).cross(c - a);
    if (area.dot(face.normal) < 0.5 * area.norm() || std::abs(face.normal.dot(p - face.centre)) > 2 ||
        (p - face.centre).norm() > 18)
      continue;
    found.width.add(p.y());
    found.points.push_back(p);
  }
  if (found.points.size() < 10) return std::nullopt;
  return found;
}

// nullopt if less than a twentieth of the face has the metatarsal in front of it: the two no longer form a joint line.
std::optional<JointLine> jointLine(const Surface& metatarsal, const TarsalFace& face) {
  JointLine joint{face.centre, face.normal, 0};
  const RayCaster caster({&metatarsal});
  std::vector<double> gaps;
  for (const auto& p : face.points) {
    // Start behind the face, so that a metatarsal pushed into it is hit as well.
    const auto hit = caster.first(p - 8 * Vec3::UnitX(), Vec3::UnitX(), 0, 30);
    if (hit && hit->entering) gaps.push_back(hit->position.x() - joint.tarsalAt(p.y(), p.z()));
  }
  if (gaps.size() * 20 < face.points.size()) return std::nullopt;
  joint.gap = median(std::move(gaps));
  return joint;
}

/// Dorsal rim of a bone at the joint in the sagittal slice at y: mean height of the dorsal outline 1 to 4 mm from where
/// its uppermost 4 mm end. (The face below may bulge farther; the end is first searched for in the half above
/// `upper_from`.)
std::optional<Vec3> dorsalRim(const SectionStack& sagittal, double y, double upper_from, bool distal_end) {
  const auto slice = sagittal.at(y);
  const double inward = distal_end ? -1 : 1;
  const auto endAbove = [&](double z) {
    Range reach;
    for (const auto& loop : slice.loops)
      for (const auto& p : loop)
        if (p.z() >= z) reach.add(p.x());
    return reach.empty() ? std::nullopt : std::optional(distal_end ? reach.high : reach.low);
  };
  const auto half_end = endAbove(upper_from);
  if (!half_end) return std::nullopt;
  double top = -std::numeric_limits<double>::infinity();
  for (const auto& loop : slice.loops)
    for (const auto& p : loop)
      if (std::abs(p.x() - *half_end) < 6) top = std::max(top, p.z());
  const auto end = endAbove(std::max(upper_from, top - 4));
  if (!end) return std::nullopt;
  double sum = 0;
  int count = 0;
  for (const double depth : kRimDepths) {
    const Range z = crossing(slice, 0, *end + inward * depth, 2);
    if (!z.empty()) sum += z.high, ++count;
  }
  if (count < 3) return std::nullopt;
  return Vec3(*end + inward * 2.5, y, sum / count);
}

// Dorsal step of the metatarsal over the tarsal bone in sagittal slices. Rays 1 to 3: both bones in the same slices,
// over the middle of their shared width. Rays 4 and 5: each bone over the middle of its own width, because the cuboid's
// dorsum slopes and a sideways shift would turn its slope into a step.
std::optional<Value> dorsalStep(Ray ray, const Surface& metatarsal, const Surface& tarsal, const TarsalFace& face) {
  const double upper = basePoint(metatarsal, Vec3::UnitX()).z();
  // Past the tuberosity in the fifth.
  const double behind_base = extentAlong(metatarsal, Vec3::UnitX()).from + (ray == 5 ? 13 : 5);
  const Range own = rangeOf(planeSection(metatarsal, Vec3(behind_base, 0, 0), Vec3::UnitX()), 1);
  if (own.empty()) return std::nullopt;
  const Range shared{std::max(own.low, face.width.low), std::min(own.high, face.width.high)};
  if (shared.high - shared.low < 3) return std::nullopt;  // bones side by side have no step
  const Range &tarsal_width = ray <= 3 ? shared : face.width, &metatarsal_width = ray <= 3 ? shared : own;
  const SectionStack tarsal_slices(tarsal, Vec3::UnitY()), metatarsal_slices(metatarsal, Vec3::UnitY());
  std::vector<Value> slices;
  double tarsal_top = -std::numeric_limits<double>::infinity();
  for (int i = 0; i < 13; ++i) {
    const double f = 0.15 + 0.7 * i / 12;
    const auto at = [&](const Range& r) { return r.low + f * (r.high - r.low); };
    const auto t = dorsalRim(tarsal_slices, at(tarsal_width), face.centre.z(), true);
    const auto m = dorsalRim(metatarsal_slices, at(metatarsal_width), upper, false);
    if (!t || !m) continue;
    slices.push_back(Value{m->z() - t->z(), *t, *m});
    tarsal_top = std::max(tarsal_top, t->z());
  }
  // Only the dorsum counts, not the flanks into which a rounded bone falls off.
  std::vector<Value> steps;
  for (const auto& v : slices)
    if (v.from.z() > tarsal_top - kDorsumDropMm) steps.push_back(v);
  if (steps.size() < 3) return std::nullopt;
  std::sort(steps.begin(), steps.end(), [](const Value& x, const Value& y) { return x.value < y.value; });
  return steps[steps.size() / 2];
}

// Lateral offset of the metatarsal's border against the tarsal's, seen from dorsal, at the joint line of that border:
// the median over heights 3 to 9 mm below the tarsal bone's dorsal rim, which forms the line seen from dorsal and which
// the plantar tubercles of the bases do not reach. `whole_outline`: the outline over all heights instead.
struct Tangent {  // least-squares line through border points over their depth from the joint line
  double n = 0, d = 0, y = 0, dd = 0, dy = 0;
  void add(double depth, double edge) {
    n += 1;
    d += depth;
    y += edge;
    dd += depth * depth;
    dy += depth * edge;
  }
  [[nodiscard]] bool enough() const { return n >= 4; }
  [[nodiscard]] double atJoint() const {
    const double slope = (n * dy - d * y) / (n * dd - d * d);
    return (y - slope * d) / n;
  }
};
std::optional<Value> borderOffset(const SectionStack& metatarsal, const SectionStack& tarsal, const JointLine& joint,
                                  bool medial_border, bool whole_outline) {
  const auto pick = [&](const Range& r) { return medial_border ? r.high : r.low; };
  const auto behind = tarsal.at(joint.centre.x() - 2.5);
  if (behind.empty()) return std::nullopt;
  const double rim = rangeOf(behind, 2).high;
  const auto edge = [&](const SectionStack& bone, double x, double z) -> std::optional<double> {
    const auto section = bone.at(x);
    const Range r = whole_outline ? rangeOf(section, 1) : crossing(section, 2, z, 1);
    return r.empty() ? std::nullopt : std::optional(pick(r));
  };
  std::vector<Value> offsets;
  for (const double below : {3.0, 4.5, 6.0, 7.5, 9.0}) {
    const double z = rim - below;
    const auto start = edge(tarsal, joint.centre.x() - 2.5, z);
    if (!start) continue;
    double y = *start;
    Tangent tarsal_border, metatarsal_border;
    for (int pass = 0; pass < 2; ++pass) {
      tarsal_border = metatarsal_border = {};
      for (const double depth : kRimDepths) {
        if (const auto e = edge(tarsal, joint.tarsalAt(y, z) - depth, z)) tarsal_border.add(depth, *e);
        if (const auto e = edge(metatarsal, joint.metatarsalAt(y, z) + depth, z)) metatarsal_border.add(depth, *e);
      }
      if (!tarsal_border.enough() || !metatarsal_border.enough()) break;
      y = tarsal_border.atJoint();
    }
    if (!tarsal_border.enough() || !metatarsal_border.enough()) continue;
    const double m = metatarsal_border.atJoint();
    offsets.push_back(
        Value{y - m, Vec3(joint.tarsalAt(y, z), y, z), Vec3(joint.metatarsalAt(y, z), m, z)});  // y: medial
    if (whole_outline) break;
  }
  if (offsets.empty()) return std::nullopt;
  std::sort(offsets.begin(), offsets.end(), [](const Value& a, const Value& b) { return a.value < b.value; });
  return offsets[offsets.size() / 2];
}

void jointStepsOf(Ray ray, const LocalFoot& foot, Values& values) {
  const Surface *m = foot.find(metatarsal(ray)), *t = foot.find(tarsalPartner(ray));
  if (!m || !t) return;
  const std::string n = std::to_string(ray.number());
  const auto face = tarsalFace(ray, *t);
  if (!face) return;
  if (const auto v = dorsalStep(ray, *m, *t, *face)) values["dorsal_step_" + n] = *v;
  const auto joint = jointLine(*m, *face);
  if (!joint) return;
  // The cuboid shares its medial border with the fourth metatarsal only and its lateral border with the fifth.
  const SectionStack across_m(*m, Vec3::UnitX()), across_t(*t, Vec3::UnitX());
  const auto medial = ray == 5 ? std::nullopt : borderOffset(across_m, across_t, *joint, true, false);
  const auto lateral = ray == 4 ? std::nullopt : borderOffset(across_m, across_t, *joint, false, ray == 5);
  if (medial && lateral)
    values["side_step_" + n] = Value{0.5 * (medial->value + lateral->value), 0.5 * (medial->from + lateral->from),
                                     0.5 * (medial->to + lateral->to)};
  if (ray == 4 && medial) values["side_step_4"] = *medial;
  if (ray == 5 && lateral) values["side_step_5"] = *lateral;
  if (ray == 1 && lateral) values["m1_c1_lateral_border"] = *lateral;
  if (ray == 2 && medial) values["m2_c2_medial_border"] = *medial;
  if (ray == 4 && medial) values["m4_cub_medial_border"] = *medial;
}

// --- axes
// -------------------------------------------------------------------------------------------------------------

double declinationIn(const Vec3& v, int component) { return std::atan2(v[component], v.x()) * kDegrees; }

// Axis of the talar head and neck: line through the centroids of sections across it from 62 to 90 % of the bone's
// length.
std::optional<std::pair<Vec3, Vec3>> talarAxis(const Surface& talus) {
  const Extent e = extentAlong(talus, Vec3::UnitX());
  const SectionStack across(talus, Vec3::UnitX());
  Points centroids;
  for (int i = 0; i < 9; ++i) {
    const double x = e.from + e.length() * (0.62 + 0.28 * i / 8);
    const auto section = across.at(x);
    if (section.area_mm2 > 50) centroids.push_back(section.centroid);
  }
  if (centroids.size() < 7) return std::nullopt;
  const auto axes = principalAxes(centroids);
  Vec3 d = axes.axes.col(0);
  if (d.x() < 0) d = -d;
  return std::pair{axes.centre, d};
}

/// The floor the foot would stand on: the plane through the plantar-most points of first head, fifth head and heel.
struct Floor {
  Vec3 up = Vec3::UnitZ();
};
std::optional<Floor> floorOf(const LocalFoot& foot) {
  const Surface *m1 = foot.find(Bone::kM1), *m5 = foot.find(Bone::kM5), *cal = foot.find(Bone::kCal);
  if (!m1 || !m5 || !cal) return std::nullopt;
  const auto lowest = [](const Surface& s, const Vec3& up, bool distal_half) {
    const Extent e = extentAlong(s, Vec3::UnitX());
    const double middle = 0.5 * (e.from + e.to);
    Vec3 best = Vec3::Zero();
    double height = std::numeric_limits<double>::infinity();
    for (const auto& v : s.vertices)
      if ((v.x() > middle) == distal_half && up.dot(v) < height) {
        height = up.dot(v);
        best = v;
      }
    return best;
  };
  Floor floor;
  for (int pass = 0; pass < 12; ++pass) {
    const Vec3 a = lowest(*m1, floor.up, true), b = lowest(*m5, floor.up, true), c = lowest(*cal, floor.up, false);
    Vec3 n = (a - c).cross(b - c);
    if (n.norm() < 100) return std::nullopt;
    n.normalize();
    if (n.z() < 0) n = -n;
    floor.up = n;
  }
  if (floor.up.z() < 0.5) return std::nullopt;  // not a plausible sole
  return floor;
}

void axesAndArch(const LocalFoot& foot, Values& values) {
  const Surface *m1 = foot.find(Bone::kM1), *m2 = foot.find(Bone::kM2), *c2 = foot.find(Bone::kC2),
                *tal = foot.find(Bone::kTal);
  if (m2 && c2) {
    const auto axis = metatarsalAxis(*m2, Vec3::UnitX());
    const Vec3 proximal = articularFace(*c2, -Vec3::UnitX()).centre, distal = articularFace(*c2, Vec3::UnitX()).centre;
    if ((distal - proximal).x() > 5)
      values["m2_c2_abduction"] = Value{declinationIn(distal - proximal, 1) - declinationIn(axis.distal, 1), distal,
                                        axis.base_centre + 30 * axis.distal};
  }
  if (!m1) return;
  const auto first = metatarsalAxis(*m1, Vec3::UnitX());
  const Vec3 m1_axis = (first.head_centre - first.base_centre).normalized();
  if (tal) {
    if (const auto axis = talarAxis(*tal)) {
      values["talo_m1_lateral"] =
          Value{declinationIn(m1_axis, 2) - declinationIn(axis->second, 2), axis->first, first.head_centre};
      values["talo_m1_dorsoplantar"] =
          Value{declinationIn(axis->second, 1) - declinationIn(m1_axis, 1), axis->first, first.head_centre};
    }
  }
  const auto floor = floorOf(foot);
  if (!floor) return;
  values["m1_declination"] =
      Value{std::asin(std::clamp(-m1_axis.dot(floor->up), -1.0, 1.0)) * kDegrees, first.base_centre, first.head_centre};
  const Surface *c1 = foot.find(Bone::kC1), *m5 = foot.find(Bone::kM5);
  if (c1 && m5) {
    // Lateral projection: heights along `up`, positions along `forward`.
    const Vec3 up = floor->up, forward = (Vec3::UnitX() - up * up.x()).normalized();
    Vec3 c1_low = c1->vertices.front();
    for (const auto& v : c1->vertices)
      if (up.dot(v) < up.dot(c1_low)) c1_low = v;
    const double c1_height = lowestHeight(*c1, up);
    // The fifth metatarsal's plantar border below that point, or at its end if it does not reach that far back.
    const Extent reach = extentAlong(*m5, forward);
    const double at = std::clamp(forward.dot(c1_low), reach.from + 4, reach.to - 4);
    double m5_height = std::numeric_limits<double>::infinity();
    Vec3 m5_low = Vec3::Zero();
    for (const auto& loop : planeSection(*m5, forward * at, forward).loops)
      for (const auto& p : loop)
        if (up.dot(p) < m5_height) {
          m5_height = up.dot(p);
          m5_low = p;
        }
    if (std::isfinite(m5_height)) values["arch_height"] = Value{c1_height - m5_height, m5_low, c1_low};
  }
}

// Head of the ray against that of the second, along the second's axis (a straight-line protrusion).
void protrusion(const LocalFoot& foot, Values& values) {
  const Surface* m2 = foot.find(Bone::kM2);
  if (!m2) return;
  const double second = -lowestHeight(*m2, -Vec3::UnitX());
  for (const Ray ray : kRays)
    if (const Surface* m = ray == 2 ? nullptr : foot.find(metatarsal(ray))) {
      const double here = -lowestHeight(*m, -Vec3::UnitX());
      const Vec3 head = metatarsalAxis(*m, Vec3::UnitX()).head_centre;
      values["protrusion_" + std::to_string(ray.number())] =
          Value{here - second, Vec3(second, head.y(), head.z()), Vec3(here, head.y(), head.z())};
    }
}

Values allValues(const LocalFoot& foot) {
  std::array<Values, 8> parts;
  tbb::parallel_for(std::size_t{0}, parts.size(), [&](std::size_t n) {
    if (n < 5)
      jointStepsOf(kRays[n], foot, parts[n]);
    else if (n == 5)
      axialDistances(foot, parts[n]);
    else if (n == 6)
      axesAndArch(foot, parts[n]);
    else
      protrusion(foot, parts[n]);
  });
  Values values;
  for (Values& part : parts) values.merge(part);
  return values;
}

// --- words and limits
// --------------------------------------------------------------------------------------------------

struct Definition {
  std::string key;
  Message name;
  std::string unit;
  std::string limit;             ///< key in limits.json for the foot alone; empty: none suits a verdict
  std::string difference_limit;  ///< key for the side difference, if there is another foot; empty: none
  Message note;
};

std::vector<Definition> definitions() {
  std::vector<Definition> d;
  const Message slice("injury.slice_10_mm_plantar_top_medial");
  const Message unloaded("injury.foot_not_loaded_scan");
  d.push_back({"c1_m2_distance", Message("injury.distance_medial_cuneiform_second_metatarsal_c1"), "mm",
               "c1_m2_distance", "c1_m2_side_difference",
               Message("injury.mean_transverse_gap_over_0_5", {{"slice", slice}, {"unloaded", unloaded}})});
  d.push_back({"m1_m2_distance", Message("injury.distance_between_bases_first_second_metatarsal"), "mm", "",
               "acceptable_displacement",
               Message("injury.mean_transverse_gap_over_3_8", {{"slice", slice}, {"unloaded", unloaded}})});
  d.push_back({"c1_c2_distance", Message("injury.distance_medial_intermediate_cuneiform_c1_c2"), "mm", "c1_c2_distance",
               "", Message("injury.mean_transverse_gap_over_2_8", {{"slice", slice}, {"unloaded", unloaded}})});
  for (const Ray ray : kRays) {
    const std::string n = std::to_string(ray.number());
    const Message joint("injury.tarsometatarsal_joint", {{"ray", nameOf(ray)}});
    const bool cuboid = ray >= 4;
    d.push_back({"dorsal_step_" + n, Message("injury.dorsal_step", {{"joint", joint}}), "mm",
                 cuboid ? "" : "acceptable_displacement", "acceptable_displacement",
                 Message("injury.dorsal_rim_metatarsal_above_tarsal_bone",
                         {{"message", (cuboid     ? Message("injury.cuboids_dorsum_slopes_only_side_difference")
                                       : ray == 2 ? ""
                                                  : Message("injury.shift_side_runs_down_slope_dorsum"))}})});
    d.push_back(
        {"side_step_" + n, Message("injury.side_step", {{"joint", joint}}), "mm", "", "acceptable_displacement",
         Message("injury.seen_dorsal_tangents_carried_joint_line",
                 {{"message", (ray <= 3   ? Message("injury.mean_lateral_offset_both_borders_metatarsal")
                               : ray == 4 ? Message("injury.lateral_offset_metatarsals_medial_border_against")
                                          : Message("injury.lateral_offset_metatarsals_outline_tuberosity_all"))},
                  {"message_2", (ray == 4   ? Message("injury.understates_medial_shift_up_two_thirds")
                                 : ray == 5 ? Message("injury.overstates_shift_up_same_again_slanting")
                                            : "")}})});
  }
  const Message border("injury.seen_dorsal_3_9_mm_below");
  const Message sides("injury.intact_feet_lie_up_2");
  d.push_back({"m2_c2_medial_border", Message("injury.medial_borders_second_metatarsal_intermediate_cuneiform"), "mm",
               "acceptable_displacement", "acceptable_displacement",
               Message("injury.offset_medial_borders", {{"border", border}})});
  d.push_back({"m4_cub_medial_border", Message("injury.medial_borders_fourth_metatarsal_cuboid_m4"), "mm", "",
               "acceptable_displacement",
               Message("injury.offset_medial_borders_3", {{"border", border}, {"sides", sides}})});
  d.push_back({"m1_c1_lateral_border", Message("injury.lateral_borders_first_metatarsal_medial_cuneiform"), "mm", "",
               "acceptable_displacement",
               Message("injury.offset_lateral_borders", {{"border", border}, {"sides", sides}})});
  d.push_back({"m2_c2_abduction", Message("injury.abduction_second_metatarsal_against_intermediate_cuneiform"), "deg",
               "", "", Message("injury.shaft_axis_metatarsal_against_line_through")});
  d.push_back({"talo_m1_lateral", Message("injury.talo_first_metatarsal_angle_lateral_projection"), "deg",
               "talometatarsal_angle", "",
               Message("injury.axis_talar_neck_head_section_centroids", {{"unloaded", unloaded}})});
  d.push_back({"talo_m1_dorsoplantar", Message("injury.talo_first_metatarsal_angle_dorsoplantar_projection"), "deg", "",
               "", Message("injury.same_axes_seen_dorsal_positive_first", {{"unloaded", unloaded}})});
  d.push_back({"m1_declination", Message("injury.declination_first_metatarsal"), "deg", "", "",
               Message("injury.line_middle_first_base_head_against")});
  d.push_back({"arch_height", Message("injury.arch_height_fifth_metatarsal_medial_cuneiform"), "mm", "arch_height", "",
               Message("injury.lowest_point_medial_cuneiform_above_plantar")});
  for (const Ray ray : kRays) {
    if (ray == 2) continue;
    d.push_back({"protrusion_" + std::to_string(ray.number()),
                 Message("injury.protrusion_metatarsal_against_second", {{"name_of", nameOf(ray)}}), "mm", "", "",
                 Message("injury.distal_end_head_against_second_along")});
  }
  return d;
}

void compareToLimit(Measure& m, const Definition& d, const Limits& limits) {
  const bool both = m.difference.has_value();
  const std::string& key = both && !d.difference_limit.empty() ? d.difference_limit : d.limit;
  const Limit* limit = key.empty() ? nullptr : limits.find(key);
  if (!limit) {
    m.note = then(m.note, both || d.difference_limit.empty() ? "injury.no_published_limit_fit_verdict"
                                                             : "injury.judged_only_against_other_foot");
    return;
  }
  m.limit = limit->value;
  m.source = limit->source;
  m.certainty = limit->certainty;
  m.limit_on_difference = both && !d.difference_limit.empty();
  m.limit_is_lower = limit->comparison == Comparison::kBelow;
  if (m.limit_on_difference) {
    const double amount = std::abs(*m.difference);
    m.abnormal = amount > limit->value;
    // Undecided between what counts as anatomical and what the limit calls unstable.
    const Limit* anatomical = limits.find("anatomical_displacement");
    if (d.key == "c1_m2_distance" && anatomical && !*m.abnormal && amount > anatomical->value) {
      m.abnormal.reset();
      m.note = then(m.note, {"injury.side_difference_lies_between_anatomical_up",
                             {{"anatomical", number(anatomical->value, 1)}, {"source", anatomical->source}}});
    }
    return;
  }
  switch (limit->comparison) {
    case Comparison::kBelow:
      m.abnormal = m.value < limit->value;
      break;
    case Comparison::kAbove:
      // Offsets of borders have a sign; too far is too far either way. A metatarsal may lie a little plantar of its
      // tarsal bone but never dorsal (lateral film, Wheeless), so a dorsal step is judged on the dorsal side only.
      m.abnormal = (d.key.ends_with("_border") ? std::abs(m.value) : m.value) > limit->value;
      break;
    case Comparison::kAbsoluteAbove:
      m.abnormal = std::abs(m.value) > limit->value;
      break;
    case Comparison::kDifferenceAbove:
      break;  // needs the other foot
  }
}

std::map<std::string, double> valuesOf(const BoneSurfaces* foot, Side side) {
  std::map<std::string, double> out;
  if (foot != nullptr)
    for (const auto& [key, value] : allValues(LocalFoot(*foot, side, footFrame(*foot, side)))) out[key] = value.value;
  return out;
}

}  // namespace

std::vector<Measure> ctMeasuresAgainst(const BoneSurfaces& bones, Side side, const Frame& frame,
                                       const std::map<std::string, double>& other_side, const Limits& limits) {
  const LocalFoot foot(bones, side, frame);
  const Values values = allValues(foot);
  std::vector<Measure> measures;
  for (const auto& d : definitions()) {
    const auto v = values.find(d.key);
    if (v == values.end()) continue;
    Measure m;
    m.key = d.key;
    m.name = d.name;
    m.unit = d.unit;
    m.value = v->second.value;
    m.note = d.note;
    m.from = foot.patient(v->second.from);
    m.to = foot.patient(v->second.to);
    if (const auto o = other_side.find(d.key); o != other_side.end()) {
      m.other_side = o->second;
      m.difference = m.value - *m.other_side;
    }
    compareToLimit(m, d, limits);
    measures.push_back(std::move(m));
  }
  return measures;
}

std::vector<Measure> ctMeasures(const BoneSurfaces& bones, Side side, const Frame& frame, const BoneSurfaces* other,
                                const Limits& limits) {
  return ctMeasuresAgainst(bones, side, frame, valuesOf(other, opposite(side)), limits);
}

}  // namespace rayset
