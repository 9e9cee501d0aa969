#include "fixation/construct.h"

#include <fmt/format.h>
#include <tbb/blocked_range.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <nlopt.hpp>
#include <numbers>

#include "anatomy/frames.h"
#include "base/units.h"
#include "fixation/check_words.h"
#include "fixation/device_checker.h"
#include "fixation/path.h"
#include "fixation/purchase.h"

namespace rayset {
namespace {

using path::Face;
using path::Reading;
using path::Segment;
using path::Solid;
using path::Space;
using path::Tool;

constexpr double kNone = 1000;           // "no other device" and "cannot be": far above every real cost or distance
constexpr double kSleeveRadiusMm = 3.5;  // drill sleeve and screwdriver outside the bone (design choice)
constexpr double kWireDriverRadiusMm = 1.5;
constexpr double kReachMm = 42;       // of a metatarsal from its joint: entry points lie well within
constexpr double kUpwardsMost = 0.1;  // fragment wires come from above or the side, never from the sole
constexpr double kLeastWireMm = 5;    // shallower, a wire holds nothing (design choice)
constexpr double kLeastInLastMm = 8;  // less thread than this in the tarsal bone holds nothing (design choice)
constexpr double kCrowdedMm = 0.1;    // below the distance wanted between devices: what the polish leaves as a rule
constexpr double kEntryRoomMm = 0.4;  // of the margin wanted there (design choice)
constexpr double kShallowRad =
    0.45;  // about 26 degrees: below this a drill tends to slide before it bites (design choice)

const std::string kScrew = "cortex-3.5", kHoldingWire = "wire-1.6-threaded", kLateralWire = "wire-1.6-smooth",
                  kFragmentWire = "wire-1.0-smooth";

// ---------------------------------------------------------------------------------------------- one ray's anatomy

// Directions about a metatarsal's shaft, and where the rim of its joint lies in each direction round the shaft.
struct RayAnatomy {
  Vec3 distal = Vec3::UnitX(), dorsal = Vec3::UnitZ(), medial = Vec3::UnitY();
  Vec3 on_axis = Vec3::Zero();
  std::array<double, 36> rim{};  // coordinate along `distal`, by angle from dorsal towards medial

  [[nodiscard]] double angleOf(const Vec3& v) const { return std::atan2(v.dot(medial), v.dot(dorsal)); }
  // Along the bone from the joint's rim, on the side of the bone that `p` lies on.
  [[nodiscard]] double fromJoint(const Vec3& p) const {
    const double turn = angleOf(p - on_axis) / (2 * std::numbers::pi) * static_cast<double>(rim.size());
    const double wrapped = turn < 0 ? turn + static_cast<double>(rim.size()) : turn;
    const auto i = static_cast<std::size_t>(wrapped) % rim.size();
    const double f = wrapped - std::floor(wrapped);
    return p.dot(distal) - ((1 - f) * rim[i] + f * rim[(i + 1) % rim.size()]);
  }
};

RayAnatomy rayAnatomy(const Surface& metatarsal, const Face& face, const Frame& frame) {
  RayAnatomy a;
  a.distal = metatarsalAxis(metatarsal, frame.distal).distal;
  a.dorsal = (frame.dorsal - frame.dorsal.dot(a.distal) * a.distal).normalized();
  a.medial = a.distal.cross(a.dorsal);
  if (a.medial.dot(frame.medial) < 0) a.medial = -a.medial;
  a.on_axis = face.centre;
  // The rim in a direction: the outermost tenth of the face that way.
  for (std::size_t i = 0; i < a.rim.size(); ++i) {
    const double angle = 2 * std::numbers::pi * static_cast<double>(i) / static_cast<double>(a.rim.size());
    const Vec3 way = std::cos(angle) * a.dorsal + std::sin(angle) * a.medial;
    std::vector<std::pair<double, double>> outward;
    for (const OrientedPoint& p : face.points)
      outward.emplace_back(-(p.position - a.on_axis).dot(way), p.position.dot(a.distal));
    std::sort(outward.begin(), outward.end());
    const std::size_t count = std::max<std::size_t>(1, outward.size() / 10);
    double sum = 0;
    for (std::size_t k = 0; k < count; ++k) sum += outward[k].second;
    a.rim[i] = sum / static_cast<double>(count);
  }
  return a;
}

// ---------------------------------------------------------------------------------------------- what is wanted of a
// path

// The surgeon's rules for one device as numbers. Bands in mm from the joint's rim, angles in radians. All design
// choices unless the text names a source.
struct Rule {
  Device device;     // id, type, kind, stage, ray, through, diameter
  std::string what;  // for messages: "screw of the second ray"
  std::shared_ptr<const Space> space;
  RayAnatomy ray;
  Tool tool;
  bool fragment = false;   // between a fragment and its bone: no band, no sector, but only from where one can reach
  Vec3 up = Vec3::Zero();  // dorsal, for fragments
  double least_in_last = kLeastInLastMm;  // less is no hold
  double wanted_in_last = kLeastInLastMm + 2;
  double band_from = 0, band_to = 0;  // allowed
  double good_from = 0, good_to = 0;  // wanted
  double sector_centre = 0,
         sector_half = 0;  // allowed cortex: angle of its normal round the shaft, dorsal 0, medial +90 degrees
  double off_centre_weight = 0;
  double deep_enough = 0;     // thread in the last bone beyond which more is no gain
  double depth_cap = 60;      // no deeper than this in all
  std::optional<Vec3> along;  // direction wanted, and how much
  double along_weight = 0;
  double shaft_angle = -1;  // angle to the shaft wanted; -1 for none
  double head_radius = 0;
  double surface_error = 0;     // of the bones gone through: that much more margin is sought
  std::vector<double> lengths;  // of the catalogue; empty: whole millimetres
};

struct Candidate {
  Vec3 entry = Vec3::Zero(), direction = Vec3::UnitX(), crossing = Vec3::Zero();
  double depth = 0;
  double cost = kNone;
};

double square(double x) { return x * x; }
double over(double x, double limit) { return std::max(0.0, x - limit); }

// Cost of a path on its own; kNone and above when it is no path at all.
double judge(const Rule& rule, const Vec3& entry, const Vec3& direction, double step, Candidate* out = nullptr) {
  const Reading r = path::read(*rule.space, entry, direction, rule.tool, step);
  if (!r.crosses || r.surface_angle < toRadians(kShallowDeg)) return kNone;
  double cost = 0;
  if (!rule.fragment) {
    const double distance = rule.ray.fromJoint(entry);
    if (distance < rule.band_from || distance > rule.band_to) return kNone;
    cost += 0.2 * (square(over(rule.good_from, distance)) + square(over(distance, rule.good_to)));
    cost += 0.03 * square(distance - (rule.good_from + rule.good_to) / 2);
    double turn = rule.ray.angleOf(r.normal) - rule.sector_centre;
    turn = std::abs(std::remainder(turn, 2 * std::numbers::pi));
    if (turn > rule.sector_half) return kNone;
    cost += 0.6 * square(turn / rule.sector_half);
  } else if (direction.dot(rule.up) > kUpwardsMost) {
    return kNone;
  }
  const double depth = std::min(r.usable, rule.depth_cap);
  const double in_last = depth - r.enter;
  if (in_last < 4) return kNone;
  // Safety: short of the wanted margin costs steeply, beyond it a little more room is still welcome.
  cost += 60 * square(over(rule.tool.wanted_margin + rule.surface_error + 0.15, r.margin)) + (r.margin < 0 ? 20 : 0);
  // A crest or rough cortex leaves the side in the open for longer than flat cortex would.
  cost += 20 * square(over(kEntryRoomMm, r.entry_room)) + 15 * square(r.grazes);
  cost -= 0.8 * std::clamp(r.margin - rule.tool.wanted_margin, 0.0, 1.0);
  cost += 60 * square(over(0.5, r.other)) + 8 * square(over(0.5, r.outside));
  if (rule.head_radius > 0) cost += 20 * square(over(rule.head_radius + 0.5, rule.space->obstacleDistance(entry)));
  // Hold: thread in the last bone.
  cost += 0.06 * over(rule.deep_enough, in_last) + 0.5 * square(over(rule.wanted_in_last, in_last));
  // Through the middle of the joint, not too obliquely, and not skidding on the cortex.
  cost += rule.off_centre_weight * (r.crossing - rule.space->face_centre).squaredNorm();
  const double oblique = std::acos(std::clamp(direction.dot(rule.space->face_normal), -1.0, 1.0));
  cost += 3 * square(over(oblique, toRadians(35)) / 0.2);
  cost += 1.5 * square(over(kShallowRad, r.surface_angle) / 0.15);
  if (rule.along)
    cost += rule.along_weight * square(std::acos(std::clamp(direction.dot(*rule.along), -1.0, 1.0)) / toRadians(15));
  if (rule.shaft_angle >= 0) {
    const double angle = std::acos(std::clamp(std::abs(direction.dot(rule.ray.distal)), 0.0, 1.0));
    cost += 0.5 * square((angle - rule.shaft_angle) / toRadians(10));
  }
  if (out != nullptr) *out = {entry, direction, r.crossing, depth, cost};
  return cost;
}

// Moves a point near the first bone's surface onto it.
Vec3 ontoCortex(const Space& space, Vec3 p) {
  for (int i = 0; i < 4; ++i) {
    const Vec3 g = space.first.gradient(p);
    const double n = g.squaredNorm();
    if (n < 0.01) break;
    p -= space.first.distance(p) / n * g;
  }
  return p;
}

std::vector<OrientedPoint> entryPoints(const Rule& rule, double spacing_mm) {
  const Surface& surface = *rule.space->first.parts.front().surface;
  const auto count = static_cast<std::size_t>(std::max(200.0, area(surface) / square(spacing_mm)));
  std::vector<OrientedPoint> points;
  for (const OrientedPoint& p : sampleEvenly(surface, count)) {
    if (rule.fragment) {
      // The fragment's free skin: not its broken face (inside the closed union), not what a neighbour lies against.
      if (std::abs(rule.space->outer.value(p.position)) > 0.3 || rule.space->obstacleDistance(p.position) < 3 ||
          (p.position - rule.space->face_centre).norm() > 25 || p.normal.dot(rule.up) < 0)
        continue;
    } else {
      const double distance = rule.ray.fromJoint(p.position);
      if (distance < rule.band_from || distance > rule.band_to) continue;
      const Vec3 normal = path::cortexNormal(*rule.space, p.position);
      if (std::abs(std::remainder(rule.ray.angleOf(normal) - rule.sector_centre, 2 * std::numbers::pi)) >
          rule.sector_half)
        continue;
    }
    points.push_back(p);
  }
  return points;
}

// Where paths may cross: a square lattice over the joint's (fracture's) face.
Points crossingPoints(const Space& space, double spacing_mm) {
  const Vec3 u = space.face_normal.unitOrthogonal(), v = space.face_normal.cross(u);
  Points points;
  const int n = static_cast<int>(std::ceil(25 / spacing_mm));
  for (int i = -n; i <= n; ++i) {
    for (int j = -n; j <= n; ++j) {
      const Vec3 offset = spacing_mm * (i * u + j * v);
      double nearest = kNone;
      for (const OrientedPoint& p : space.first_face.points) {
        const Vec3 d = p.position - space.first_face.centre - offset;
        nearest = std::min(nearest, square(d.dot(u)) + square(d.dot(v)));
      }
      if (nearest < square(1.2)) points.push_back(space.face_centre + offset);
    }
  }
  return points;
}

// ---------------------------------------------------------------------------------------------- devices side by side

struct Body {
  Vec3 entry, tip, direction;
  double radius = 0, head_radius = 0;
  bool wire = false;
};
Body bodyOf(const Rule& rule, const Candidate& c) {
  return {c.entry,          c.entry + c.depth * c.direction, c.direction, rule.tool.radius,
          rule.head_radius, rule.device.kind == "wire"};
}
Body bodyOf(const Device& d, const Catalogue& catalogue) {
  const ImplantType* type = catalogue.find(d.type);
  return {d.entry,         d.tip, d.direction, d.diameter_mm / 2, type != nullptr ? type->head_diameter_mm / 2 : 0,
          d.kind == "wire"};
}

double bodyGap(const Body& a, const Body& b) {
  double gap = path::segmentDistance({a.entry, a.tip}, {b.entry, b.tip}) - a.radius - b.radius;
  if (a.head_radius > 0)
    gap = std::min(gap, path::segmentDistance({a.entry, a.entry}, {b.entry, b.tip}) - a.head_radius - b.radius);
  if (b.head_radius > 0)
    gap = std::min(gap, path::segmentDistance({b.entry, b.entry}, {a.entry, a.tip}) - b.head_radius - a.radius);
  if (a.head_radius > 0 && b.head_radius > 0)
    gap = std::min(gap, (a.entry - b.entry).norm() - a.head_radius - b.head_radius);
  return gap;
}
// Outside the bone: a wire that stands out must leave room for the sleeve and the driver of a screw, and for another
// wire.
double outsideGap(const Body& a, const Body& b) {
  if (!a.wire && !b.wire) return kNone;  // one screw is finished before the next begins
  const auto outside = [](const Body& d) {
    return Segment{d.entry, d.entry - (d.wire ? kWireStubMm : 60.0) * d.direction};
  };
  const auto room = [](const Body& d) { return d.wire ? d.radius + 0.5 : kSleeveRadiusMm; };
  return path::segmentDistance(outside(a), outside(b)) - room(a) - room(b);
}
double pairCost(const Body& a, const Body& b, double wanted) {
  const double gap = bodyGap(a, b), outside = outsideGap(a, b);
  double cost = gap < wanted ? 6 + 30 * square(wanted - gap) : 0.15 * over(2 * wanted, gap);
  if (outside < 0) cost += 4 + 4 * square(outside);
  return cost;
}

// What the devices that stand already add to a path's cost.
double standingCost(const Rule& rule, const Candidate& c, const std::vector<Body>& standing, double wanted_gap) {
  double cost = 0;
  for (const Body& other : standing) cost += pairCost(bodyOf(rule, c), other, wanted_gap);
  return cost;
}

// Every entry with every crossing; the best that differ from each other by more than `apart_mm` in entry or crossing.
// `spacing`: of both, against what is usual.
std::vector<Candidate> searchAll(const Rule& rule, std::size_t keep, double apart_mm, const std::vector<Body>& standing,
                                 double wanted_gap, double spacing = 1) {
  const auto entries = entryPoints(rule, spacing * (rule.fragment ? 1.0 : 1.6));
  const Points crossings = crossingPoints(*rule.space, spacing * 2.0);
  std::vector<std::vector<Candidate>> found(entries.size());
  tbb::parallel_for(tbb::blocked_range<std::size_t>(0, entries.size()),
                    [&](const tbb::blocked_range<std::size_t>& range) {
                      for (std::size_t i = range.begin(); i < range.end(); ++i) {
                        for (const Vec3& crossing : crossings) {
                          const Vec3 way = crossing - entries[i].position;
                          const double length = way.norm();
                          if (length < 3) continue;
                          Candidate candidate;
                          if (judge(rule, entries[i].position, way / length, 1.0, &candidate) < kNone) {
                            candidate.cost += standingCost(rule, candidate, standing, wanted_gap);
                            if (candidate.cost < kNone) found[i].push_back(candidate);
                          }
                        }
                      }
                    });
  std::vector<Candidate> all;
  for (const auto& some : found) all.insert(all.end(), some.begin(), some.end());
  std::stable_sort(all.begin(), all.end(), [](const Candidate& a, const Candidate& b) { return a.cost < b.cost; });
  std::vector<Candidate> kept;
  for (const Candidate& c : all) {
    if (kept.size() >= keep) break;
    const bool near_one = std::any_of(kept.begin(), kept.end(), [&](const Candidate& k) {
      return (k.entry - c.entry).norm() < apart_mm && (k.crossing - c.crossing).norm() < apart_mm;
    });
    if (!near_one) kept.push_back(c);
  }
  return kept;
}

// ---------------------------------------------------------------------------------------------- the planner

/// The bones it goes through, as a key.
std::string throughOf(const Device& device) { return fmt::format("{}", fmt::join(device.through, ">")); }
/// The fragment it goes into or comes from; nothing where it joins two bones.
std::optional<std::string> fragmentOf(const Device& device) {
  for (const std::string& id : device.through)
    if (id.find('.') != std::string::npos) return id;
  return std::nullopt;
}

class Planner {
 public:
  Planner(const ConstructInput& input, const Catalogue& catalogue, const ConstructSettings& settings)
      : input_(input), catalogue_(catalogue), settings_(settings) {
    for (const Device& d : input.standing) standing_.push_back(bodyOf(d, catalogue));
  }

  Result<ConstructResult> plan(const Progress& progress);
  DeviceChecks check(const Device& device, const std::vector<Device>& all, const Rule& rule) const;
  [[nodiscard]] std::optional<Rule> ruleFor(const Device& device);
  // The same for checks alone: without what only the search asks for (other bones to keep out of).
  [[nodiscard]] std::optional<Rule> leanRuleFor(const Device& device);
  // What leanRuleFor() would build for each of these, beside each other.
  void makeLean(const std::vector<Device>& devices);
  [[nodiscard]] bool enters(const Device& device, Bone b) const;
  [[nodiscard]] bool mayEnter(const Device& device, Bone b) const;
  void forget(Bone b);

 private:
  void makeFields(const std::vector<Bone>& bones);
  // How far the surface of a bone (by its id, or a fragment's) may be off, as far as that is asked for.
  [[nodiscard]] double errorOf(const std::string& id) const {
    const auto b = boneFromId(parentId(id));
    const auto it = b ? input_.surface_error_mm.find(*b) : input_.surface_error_mm.end();
    return it == input_.surface_error_mm.end() ? 0 : std::clamp(it->second, 0.0, kMostErrorMm);
  }
  [[nodiscard]] double errorOf(const std::vector<std::string>& through) const {
    double most = 0;
    for (const std::string& id : through) most = std::max(most, errorOf(id));
    return most;
  }
  void allowForErrors(Rule& rule) const {
    rule.surface_error = errorOf(rule.device.through);
    rule.tool.end_clearance += errorOf(rule.device.through.back());
  }
  [[nodiscard]] const Surface* bone(Bone b) const {
    const auto it = input_.reduced->find(b);
    return it == input_.reduced->end() || it->second.empty() ? nullptr : &it->second;
  }
  [[nodiscard]] static std::string parentId(const std::string& fragment) {
    return fragment.substr(0, fragment.find('.'));
  }
  [[nodiscard]] Solid solid(Bone b) const;
  [[nodiscard]] std::vector<Space::Obstacle> obstacles(const std::vector<std::string>& own) const;
  [[nodiscard]] std::vector<Bone> bonesNear(const std::vector<int>& rays) const;
  std::shared_ptr<const Space> raySpace(int ray);
  // `into`: from the bone into the fragment (one that lies plantar cannot be reached from its own side).
  std::shared_ptr<const Space> fragmentSpace(const std::string& fragment, bool into);
  Rule baseRule(const std::string& type_id, std::string id, std::string stage, int ray) const;
  Rule screwRule(int ray, std::shared_ptr<const Space> space) const;
  Rule wireRule(int ray, std::shared_ptr<const Space> space, bool definitive) const;
  Rule fragmentRule(const std::string& fragment, char letter, bool into, std::shared_ptr<const Space> space) const;
  [[nodiscard]] Candidate polished(const Rule& rule, const Candidate& start, const std::vector<Body>& others) const;
  [[nodiscard]] std::vector<Body> othersThan(std::size_t i, const std::vector<Rule>& rules,
                                             const std::vector<Candidate>& chosen) const;
  void polish(const std::vector<Rule>& rules, std::vector<Candidate>& chosen) const;
  void makeRoom(const std::vector<Rule>& rules, std::vector<Candidate>& chosen) const;
  [[nodiscard]] std::pair<std::optional<Device>, std::string> safeDevice(const Rule& rule, const Candidate& c,
                                                                         const std::vector<Device>& kept) const;
  [[nodiscard]] std::optional<Device> searchedAnew(const Rule& rule, std::vector<Candidate> list,
                                                   const std::vector<Body>& others,
                                                   const std::vector<Device>& kept) const;
  [[nodiscard]] std::optional<Device> finish(const Rule& rule, const Candidate& c) const;
  [[nodiscard]] std::optional<Rule> ruleWithin(const Device& device);
  [[nodiscard]] std::shared_ptr<const Space> spaceOf(const Device& device);  // null where its bones are not there
  [[nodiscard]] const RayCaster* nearOther(const Device& device, Bone b, double beyond) const;
  [[nodiscard]] double meanHu(const Device& device, const Rule& rule, double from) const;

  const ConstructInput& input_;
  const Catalogue& catalogue_;
  const ConstructSettings& settings_;
  std::map<std::string, std::unique_ptr<DistanceField>> fields_;  // by bone or fragment id
  std::map<std::string, const Surface*> surfaces_;
  std::vector<Body> standing_;
  struct OtherBone {
    Box box;
    RayCaster caster;
  };
  bool lean_ = false;                                           // spaces are kept and know no obstacles
  mutable std::map<Bone, OtherBone> others_;                    // built when first asked for
  std::map<std::string, std::shared_ptr<const Space>> spaces_;  // by the bones gone through; for checks alone
};

// The bones of the rays and what lies so close to them that it has to be kept out of.
std::vector<Bone> Planner::bonesNear(const std::vector<int>& rays) const {
  std::vector<Box> own;
  for (const int ray : rays)
    for (const Bone b : {metatarsal(ray), tarsalPartner(ray)})
      if (const Surface* s = bone(b)) {
        const Box box = bounds(*s);
        own.emplace_back(Vec3(box.min().array() - path::kBandMm), Vec3(box.max().array() + path::kBandMm));
      }
  for (const auto& [id, surface] : input_.fragments) {
    const auto parent = boneFromId(parentId(id));
    if (const Surface* s = parent ? bone(*parent) : nullptr) own.push_back(bounds(*s));
  }
  std::vector<Bone> near;
  for (const Bone b : kMidfootBones) {
    const Surface* s = bone(b);
    if (s == nullptr) continue;
    const Box box = bounds(*s);
    if (std::any_of(own.begin(), own.end(), [&](const Box& o) { return o.intersects(box); })) near.push_back(b);
  }
  return near;
}

void Planner::makeFields(const std::vector<Bone>& bones) {
  for (const Bone b : bones)
    if (const Surface* s = bone(b)) surfaces_[std::string(boneId(b))] = s;
  for (const auto& [id, surface] : input_.fragments)
    if (!surface.empty()) surfaces_[id] = &surface;
  std::vector<std::string> ids;
  for (const auto& [id, surface] : surfaces_)
    if (fields_.emplace(id, nullptr).second) ids.push_back(id);
  std::vector<std::unique_ptr<DistanceField>> made(ids.size());
  tbb::parallel_for(std::size_t{0}, ids.size(), [&](std::size_t i) {
    // The hindfoot only has to be kept out of.
    const bool far = ids[i] == "Cal" || ids[i] == "Tal";
    made[i] = std::make_unique<DistanceField>(*surfaces_.at(ids[i]), far ? 1.2 : path::kVoxelMm, path::kBandMm);
  });
  for (std::size_t i = 0; i < ids.size(); ++i) fields_[ids[i]] = std::move(made[i]);
}

Solid Planner::solid(Bone b) const {
  Solid s;
  const std::string id(boneId(b));
  s.parts.push_back({surfaces_.at(id), fields_.at(id).get()});
  for (const auto& [fragment, surface] : input_.fragments)
    if (parentId(fragment) == id && !surface.empty()) s.parts.push_back({&surface, fields_.at(fragment).get()});
  return s;
}

std::vector<Space::Obstacle> Planner::obstacles(const std::vector<std::string>& own) const {
  std::vector<Space::Obstacle> list;
  if (lean_) return list;
  for (const auto& [id, surface] : surfaces_) {
    const std::string parent = parentId(id);
    if (std::find(own.begin(), own.end(), parent) == own.end())
      list.push_back({id, fields_.at(id).get(), surface, errorOf(parent)});
  }
  return list;
}

std::shared_ptr<const Space> Planner::raySpace(int ray) {
  const Bone m = metatarsal(ray), t = tarsalPartner(ray);
  auto space =
      path::makeSpace(solid(m), solid(t), obstacles({std::string(boneId(m)), std::string(boneId(t))}), kReachMm);
  return space ? std::make_shared<const Space>(std::move(*space)) : nullptr;
}

std::shared_ptr<const Space> Planner::fragmentSpace(const std::string& fragment, bool into) {
  const auto parent = boneFromId(parentId(fragment));
  Solid first, last;
  first.parts.push_back({surfaces_.at(fragment), fields_.at(fragment).get()});
  const std::string id(boneId(*parent));
  last.parts.push_back({surfaces_.at(id), fields_.at(id).get()});
  auto others = obstacles({id});
  for (const auto& [other, surface] : input_.fragments)  // its sister fragments stay clear of its wires
    if (other != fragment && parentId(other) == id && !surface.empty())
      others.push_back({other, fields_.at(other).get(), &surface, errorOf(id)});
  if (into) std::swap(first, last);
  auto space = path::makeSpace(std::move(first), std::move(last), std::move(others), kReachMm);
  return space ? std::make_shared<const Space>(std::move(*space)) : nullptr;
}

Rule Planner::baseRule(const std::string& type_id, std::string id, std::string stage, int ray) const {
  const ImplantType& type = *catalogue_.find(type_id);
  Rule rule;
  rule.device.id = std::move(id);
  rule.device.type = type_id;
  rule.device.kind = type.kind;
  rule.device.stage = std::move(stage);
  rule.device.ray = ray;
  rule.device.diameter_mm = type.diameter_mm;
  rule.tool.radius = type.diameter_mm / 2;
  rule.tool.wanted_margin = settings_.cortex_margin_mm;
  rule.tool.end_clearance = settings_.end_clearance_mm;
  rule.tool.corridor = type.kind == "screw" ? kSleeveRadiusMm : kWireDriverRadiusMm;
  if (type.kind == "screw") {
    rule.head_radius = type.head_diameter_mm / 2;
    rule.lengths = type.lengths_mm;
    rule.tool.longest = type.lengths_mm.back() + 2;
  }
  return rule;
}

Rule Planner::screwRule(int ray, std::shared_ptr<const Space> space) const {
  Rule rule = baseRule(kScrew, fmt::format("S{}", ray), "definitive", ray);
  rule.what = fmt::format("screw of the {} ray", ordinal(ray));
  rule.wanted_in_last = kLeastThreadMm + 1;  // rounding down to a length that is sold costs a millimetre on average
  rule.device.through = {std::string(boneId(metatarsal(ray))), std::string(boneId(tarsalPartner(ray)))};
  allowForErrors(rule);
  rule.ray = rayAnatomy(*bone(metatarsal(ray)), space->first_face, input_.frame);
  rule.off_centre_weight = 0.12;
  rule.deep_enough = 30;
  // Start about 15 to 20 mm distal to the joint on the dorsal cortex (common practice, memory-high; mm memory-medium).
  rule.band_from = settings_.joint_bridge_mm;
  rule.band_to = 24;
  rule.good_from = 15;
  rule.good_to = 20;
  rule.sector_half = toRadians(45);
  if (ray == 1) {
    rule.sector_centre = toRadians(15);  // away from the artery and nerve over the first interspace
    rule.good_from = 12;
    rule.good_to = 17;
    // Along the long axis of the medial cuneiform: from its distal to its proximal face.
    if (const Surface* nav = bone(Bone::kNav); nav != nullptr && fields_.contains("Nav")) {
      Solid navicular;
      navicular.parts.push_back({nav, fields_.at("Nav").get()});
      const Face proximal = path::facingFace(space->last, navicular, 4);
      if (!proximal.empty()) rule.along = (proximal.centre - space->last_face.centre).normalized();
    }
    if (!rule.along) rule.along = -input_.frame.distal;
    rule.along_weight = 0.25;
  } else if (ray == 4) {
    rule.along = -rule.ray.distal;
    rule.along_weight = 0.25;
  } else if (ray == 5) {
    // The fifth base is broad and its joint faces obliquely backwards: one comes in from its lateral side.
    rule.sector_centre = toRadians(-50);
    rule.sector_half = toRadians(55);
    rule.good_from = settings_.joint_bridge_mm;
    rule.good_to = 16;
    rule.shaft_angle = toRadians(45);  // issue 2: about 45 degrees to its shaft
  }
  rule.space = std::move(space);
  return rule;
}

Rule Planner::wireRule(int ray, std::shared_ptr<const Space> space, bool definitive) const {
  Rule rule = baseRule(definitive ? kLateralWire : kHoldingWire, fmt::format("W{}", ray),
                       definitive ? "definitive" : "temporary", ray);
  rule.what = fmt::format("wire of the {} ray", ordinal(ray));
  rule.device.through = {std::string(boneId(metatarsal(ray))), std::string(boneId(tarsalPartner(ray)))};
  allowForErrors(rule);
  rule.ray = rayAnatomy(*bone(metatarsal(ray)), space->first_face, input_.frame);
  rule.off_centre_weight = definitive ? 0.1 : 0.02;
  rule.deep_enough = 16;
  rule.depth_cap = 45;
  rule.tool.longest = 46;
  rule.band_from = 4;
  rule.band_to = 28;
  rule.good_from = 8;
  rule.good_to = 24;
  rule.sector_half = toRadians(70);
  if (ray == 1) {
    rule.sector_centre = toRadians(55);
    rule.sector_half = toRadians(75);
  } else if (ray == 5) {
    rule.sector_centre = toRadians(-55);
    rule.sector_half = toRadians(75);
  }
  rule.space = std::move(space);
  return rule;
}

Rule Planner::fragmentRule(const std::string& fragment, char letter, bool into,
                           std::shared_ptr<const Space> space) const {
  const std::string parent = parentId(fragment);
  const auto b = boneFromId(parent);
  // Definitive: nothing else holds the fragment once the holding wires are out.
  Rule rule = baseRule(kFragmentWire, fmt::format("F{}{}", fragment, letter), "definitive", rayOf(*b).value_or(0));
  rule.what = fmt::format("wire of fragment {}", fragment);
  rule.fragment = true;
  rule.device.through = into ? std::vector<std::string>{parent, fragment} : std::vector<std::string>{fragment, parent};
  allowForErrors(rule);
  rule.up = input_.frame.dorsal;
  rule.ray.distal = rayOf(*b) ? metatarsalAxis(*bone(*b), input_.frame.distal).distal : input_.frame.distal;
  if (into) rule.least_in_last = 4;
  rule.wanted_in_last = rule.least_in_last + 2;
  rule.tool.wanted_margin = marginWanted(rule.device, settings_);
  rule.off_centre_weight = 0.08;
  rule.deep_enough = 12;
  rule.depth_cap = 28;
  rule.tool.longest = 29;
  rule.space = std::move(space);
  return rule;
}

// Nelder and Mead on entry (two tangential shifts) and crossing (two shifts in the joint's plane), the other devices
// held.
Candidate Planner::polished(const Rule& rule, const Candidate& start, const std::vector<Body>& others) const {
  const Vec3 n = path::cortexNormal(*rule.space, start.entry), t1 = n.unitOrthogonal(), t2 = n.cross(t1);
  const Vec3 p1 = rule.space->face_normal.unitOrthogonal(), p2 = rule.space->face_normal.cross(p1);
  Candidate best = start;
  double least = kNone * 10;
  const auto evaluate = [&](const std::vector<double>& x) {
    const Vec3 entry = ontoCortex(*rule.space, start.entry + x[0] * t1 + x[1] * t2);
    const Vec3 way = start.crossing + x[2] * p1 + x[3] * p2 - entry;
    if (way.norm() < 2) return kNone * 2;
    Candidate c;
    double cost = judge(rule, entry, way.normalized(), 0.5, &c);
    if (cost >= kNone) return kNone + std::abs(x[0]) + std::abs(x[1]) + std::abs(x[2]) + std::abs(x[3]);
    const Body body = bodyOf(rule, c);
    for (const Body& other : others) cost += pairCost(body, other, settings_.device_gap_mm);
    if (cost < least) {
      least = cost;
      best = c;
    }
    return cost;
  };
  nlopt::opt optimiser(nlopt::LN_NELDERMEAD, 4);
  struct Call {
    decltype(evaluate)* f;
  } call{&evaluate};
  optimiser.set_min_objective(
      [](const std::vector<double>& x, std::vector<double>&, void* data) { return (*static_cast<Call*>(data)->f)(x); },
      &call);
  optimiser.set_lower_bounds(-4.0);
  optimiser.set_upper_bounds(4.0);
  optimiser.set_initial_step(1.0);
  optimiser.set_maxeval(160);
  optimiser.set_xtol_abs(0.02);
  std::vector<double> x(4, 0.0);
  double value = 0;
  try {
    optimiser.optimize(x, value);
  } catch (const std::exception&) {
    // Round-off in the simplex: the best point seen is kept all the same.
  }
  return least < kNone ? best : start;
}

std::vector<Body> Planner::othersThan(std::size_t i, const std::vector<Rule>& rules,
                                      const std::vector<Candidate>& chosen) const {
  std::vector<Body> others = standing_;
  for (std::size_t j = 0; j < rules.size(); ++j)
    if (j != i && chosen[j].cost < kNone) others.push_back(bodyOf(rules[j], chosen[j]));
  return others;
}

// Every device in turn, for two rounds.
void Planner::polish(const std::vector<Rule>& rules, std::vector<Candidate>& chosen) const {
  for (int round = 0; round < 2; ++round)
    for (std::size_t i = 0; i < rules.size(); ++i)
      if (chosen[i].cost < kNone) chosen[i] = polished(rules[i], chosen[i], othersThan(i, rules, chosen));
}

// Devices that stand in each other's way after the joint choice: each looks for a path anew, all over, with the others
// where they are, and takes it where that costs less. In the order of the rules, once.
void Planner::makeRoom(const std::vector<Rule>& rules, std::vector<Candidate>& chosen) const {
  constexpr std::size_t kTries = 4;
  for (std::size_t i = 0; i < rules.size(); ++i) {
    const Rule& rule = rules[i];
    if (chosen[i].cost >= kNone || rule.fragment) continue;
    const std::vector<Body> others = othersThan(i, rules, chosen);
    const Body now = bodyOf(rule, chosen[i]);
    const bool crowded = std::any_of(others.begin(), others.end(), [&](const Body& other) {
      return bodyGap(now, other) < settings_.device_gap_mm - kCrowdedMm;
    });
    if (!crowded) continue;
    const auto cost = [&](const Candidate& c) {
      return judge(rule, c.entry, c.direction, 0.5) + standingCost(rule, c, others, settings_.device_gap_mm);
    };
    double least = cost(chosen[i]);
    for (const Candidate& c : searchAll(rule, kTries, 2.5, others, settings_.device_gap_mm)) {
      const Candidate better = polished(rule, c, others);
      if (const double its = cost(better); its < least) {
        least = its;
        chosen[i] = better;
      }
    }
  }
}

// The device of a path if it is safe among those kept, and in words why not.
std::pair<std::optional<Device>, std::string> Planner::safeDevice(const Rule& rule, const Candidate& c,
                                                                  const std::vector<Device>& kept) const {
  auto device = c.cost < kNone ? finish(rule, c) : std::nullopt;
  if (!device) return {std::nullopt, "no straight path from its cortex across the joint stays inside the bones"};
  const DeviceChecks checks = check(*device, kept, rule);
  if (checks.cortex_margin_mm < 0 || checks.inside_fraction < 1)
    return {std::nullopt, "no straight path from its cortex across the joint stays inside the bones"};
  if (!checks.other_bones.empty())
    return {std::nullopt, fmt::format("every path enters {}", fmt::join(checks.other_bones, ", "))};
  if (checks.nearest_device_mm < 0.3) return {std::nullopt, "there is no room for it beside the other devices"};
  return {std::move(device), {}};
}

// A safe device of this rule from anywhere else: what was found before, then a search twice as fine.
std::optional<Device> Planner::searchedAnew(const Rule& rule, std::vector<Candidate> list,
                                            const std::vector<Body>& others, const std::vector<Device>& kept) const {
  constexpr std::size_t kTries = 8;  // of either list: each costs a polish
  for (const bool fine : {false, true}) {
    if (fine)
      list = searchAll(rule, kTries, 1.0, others, settings_.device_gap_mm, 0.5);
    else
      for (Candidate& c : list) c.cost += standingCost(rule, c, others, settings_.device_gap_mm);
    std::stable_sort(list.begin(), list.end(), [](const Candidate& a, const Candidate& b) { return a.cost < b.cost; });
    for (std::size_t k = 0; k < std::min(kTries, list.size()); ++k)
      if (auto device = safeDevice(rule, polished(rule, list[k], others), kept).first) return device;
  }
  return std::nullopt;
}

std::optional<Device> Planner::finish(const Rule& rule, const Candidate& c) const {
  Device device = rule.device;
  const auto entry = path::exactEntry(*rule.space, c.entry, c.direction);
  if (!entry) return std::nullopt;
  const Reading r = path::read(*rule.space, *entry, c.direction, rule.tool, 0.1);
  if (!r.crosses) return std::nullopt;
  device.entry = *entry;
  device.direction = c.direction;
  device.measured_depth_mm = std::min(r.usable, rule.depth_cap);
  if (rule.lengths.empty()) {
    device.length_mm = std::floor(device.measured_depth_mm);
  } else {
    const ImplantType& type = *catalogue_.find(device.type);
    device.length_mm = type.longestWithin(device.measured_depth_mm);
    device.countersink_mm = type.head_height_mm;
  }
  device.tip = device.entry + device.length_mm * device.direction;
  if (device.length_mm - r.enter < std::min(rule.least_in_last, 0.4 * rule.deep_enough)) return std::nullopt;
  return device;
}

double Planner::meanHu(const Device& device, const Rule& rule, double from) const {
  if (input_.ct == nullptr) return 0;
  const auto scanned = [&](const std::string& id, const Vec3& p) {
    const auto b = boneFromId(parentId(id));
    const auto it = b ? input_.injured_to_reduced.find(*b) : input_.injured_to_reduced.end();
    return it == input_.injured_to_reduced.end() ? p : Vec3(it->second.inverse() * p);
  };
  const Vec3 u = device.direction.unitOrthogonal(), v = device.direction.cross(u);
  double sum = 0;
  std::size_t count = 0;
  for (double t = from; t <= device.length_mm; t += 0.5) {
    for (int k = 0; k < 12; ++k) {
      const double angle = std::numbers::pi / 6 * k;
      const Vec3 p =
          device.entry + t * device.direction + device.diameter_mm / 2 * (std::cos(angle) * u + std::sin(angle) * v);
      const bool in_first = rule.space->first.distance(p) < 0, in_last = rule.space->last.distance(p) < 0;
      if (!in_first && !in_last) continue;  // the joint gap holds nothing
      sum += sampleLinear(*input_.ct, scanned(in_first ? device.through.front() : device.through.back(), p), 0.0);
      ++count;
    }
  }
  return count > 0 ? sum / static_cast<double>(count) : 0;
}

DeviceChecks Planner::check(const Device& device, const std::vector<Device>& all, const Rule& rule) const {
  DeviceChecks checks;
  const Space& space = *rule.space;
  const double radius = device.diameter_mm / 2, step = 0.1;
  const Reading r = path::read(space, device.entry, device.direction, rule.tool, step);
  checks.angle_to_surface_rad = r.surface_angle;
  const double zone = path::entryZone(radius, rule.tool.wanted_margin, r.surface_angle);
  const int steps = std::max(1, static_cast<int>(std::ceil((device.length_mm - zone) / step)));
  int inside = 0;
  for (int i = 0; i <= steps; ++i)
    inside += path::discRoom(space, device.entry, device.direction, radius, 0,
                             zone + (device.length_mm - zone) * i / steps) >= 0
                  ? 1
                  : 0;
  checks.inside_fraction = static_cast<double>(inside) / (steps + 1);
  const double ramp = path::entryZone(radius, rule.tool.wanted_margin + path::kRampMm, r.surface_angle);
  checks.cortex_margin_mm = path::marginOver(space, device.entry, device.direction, radius, ramp,
                                             std::max(ramp, device.length_mm - device.diameter_mm), step);
  for (const Device& other : all) {
    if (other.id != device.id)
      checks.nearest_device_mm =
          std::min(checks.nearest_device_mm, bodyGap(bodyOf(device, catalogue_), bodyOf(other, catalogue_)));
  }
  if (r.crosses) {
    checks.crossing_off_centre_mm = (r.crossing - space.face_centre).norm();
    checks.length_in_first_mm = std::min(r.leave, device.length_mm);
    checks.length_in_last_mm = std::max(0.0, device.length_mm - r.enter);
  }
  checks.crossing_angle_rad = std::acos(std::clamp(device.direction.dot(space.face_normal), -1.0, 1.0));
  if (!rule.fragment) {
    for (const Face* face : {&space.first_face, &space.last_face}) {
      const double cosine = std::max(0.1, std::abs(device.direction.dot(face->normal)));
      checks.joint_area_lost_percent =
          std::max(checks.joint_area_lost_percent, 100 * std::numbers::pi * radius * radius / cosine / face->area_mm2);
    }
    checks.entry_to_joint_mm = rule.ray.fromJoint(device.entry);
  }
  checks.angle_to_shaft_rad = std::acos(std::clamp(std::abs(device.direction.dot(rule.ray.distal)), 0.0, 1.0));
  // The axis beyond the bones, on the meshes themselves: from the last way out to the tip, if the tip is in neither.
  double out_at = 0;
  bool in_bone = false;
  for (const RayCaster* mesh : {space.first_mesh.get(), space.last_mesh.get()}) {
    in_bone = in_bone || mesh->inside(device.tip);
    for (const auto& hit : mesh->all(device.entry, device.direction, device.length_mm))
      if (!hit.entering) out_at = std::max(out_at, hit.distance);
  }
  checks.tip_beyond_cortex_mm = in_bone ? 0 : device.length_mm - out_at;
  for (const auto& [b, surface] : *input_.reduced)
    if (enters(device, b))
      checks.other_bones.emplace_back(boneId(b));
    else if (mayEnter(device, b))
      checks.may_enter.emplace_back(boneId(b));
  checks.surface_error_mm = errorOf(device.through);
  checks.mean_hu = meanHu(device, rule, zone);
  if (input_.ct != nullptr && device.kind == "screw") {
    // The head bears against the metatarsal: what can pull out is the thread in the tarsal bone.
    const ImplantType& type = *catalogue_.find(device.type);
    const ShearStrength strength = shearStrengthFromHu(meanHu(device, rule, r.crosses ? r.enter : zone));
    const double tsf = threadShapeFactor(type.diameter_mm, type.core_mm, type.pitch_mm);
    const auto force = [&](double s) { return chapmanPullout(s, type.diameter_mm, checks.length_in_last_mm, tsf); };
    checks.pullout_n = force(strength.typical_mpa);
    checks.pullout_low_n = force(strength.low_mpa);
    checks.pullout_high_n = force(strength.high_mpa);
  }
  return checks;
}

// The mesh of a bone that the device is not planned through, where it may come within `beyond` of its side.
const RayCaster* Planner::nearOther(const Device& device, Bone b, double beyond) const {
  const Surface* surface = bone(b);
  const std::string id(boneId(b));
  if (surface == nullptr || std::any_of(device.through.begin(), device.through.end(),
                                        [&](const std::string& own) { return own == id || parentId(own) == id; }))
    return nullptr;
  auto known = others_.find(b);
  if (known == others_.end()) known = others_.emplace(b, OtherBone{bounds(*surface), RayCaster({surface})}).first;
  const double radius = device.diameter_mm / 2 + beyond;
  return known->second.box.intersects(Box(Vec3(device.entry.cwiseMin(device.tip).array() - radius),
                                          Vec3(device.entry.cwiseMax(device.tip).array() + radius)))
             ? &known->second.caster
             : nullptr;
}

// Nearest distances along the axis, up to where its tip begins to taper.
bool Planner::mayEnter(const Device& device, Bone b) const {
  const double error = errorOf(std::string(boneId(b)));
  if (error <= 0) return false;
  const RayCaster* caster = nearOther(device, b, error);
  if (caster == nullptr) return false;
  const double within = device.diameter_mm / 2 + error, to = std::max(0.0, device.length_mm - device.diameter_mm / 2);
  const int steps = std::max(1, static_cast<int>(std::ceil(to)));
  for (int i = 0; i <= steps; ++i)
    if (caster->nearest(device.entry + to * i / steps * device.direction, within)) return true;
  return false;
}

// Rays along the side, on the meshes of the bones it is not planned through.
bool Planner::enters(const Device& device, Bone b) const {
  const RayCaster* mesh = nearOther(device, b, 0);
  if (mesh == nullptr) return false;
  const RayCaster& caster = *mesh;
  const double radius = device.diameter_mm / 2;
  const Vec3 u = device.direction.unitOrthogonal(), v = device.direction.cross(u);
  bool hit = caster.inside(device.tip);
  for (int k = 0; k <= 12 && !hit; ++k) {
    const double angle = std::numbers::pi / 6 * k, rho = k == 12 ? 0 : radius;
    hit = caster
              .first(device.entry + rho * (std::cos(angle) * u + std::sin(angle) * v), device.direction, 0,
                     device.length_mm)
              .has_value();
  }
  return hit;
}

void Planner::forget(Bone b) {
  const std::string id(boneId(b));
  std::erase_if(fields_, [&](const auto& entry) { return parentId(entry.first) == id; });
  std::erase_if(surfaces_, [&](const auto& entry) { return parentId(entry.first) == id; });
  // "M2>C2", "M2.1>M2": ids are told apart by what follows them.
  std::erase_if(spaces_, [&](const auto& entry) {
    const std::string text = ">" + entry.first + ">";
    return text.find(">" + id + ">") != std::string::npos || text.find(">" + id + ".") != std::string::npos;
  });
  others_.erase(b);
}

template <class Rules>
std::vector<Candidate> beam(const Rules& rules, const std::vector<std::vector<Candidate>>& lists, double wanted_gap) {
  struct State {
    std::vector<int> pick;
    double cost = 0;
  };
  constexpr std::size_t kWidth = 48;
  std::vector<State> states{State{}};
  for (std::size_t i = 0; i < rules.size(); ++i) {
    std::vector<State> next;
    for (const State& state : states) {
      if (lists[i].empty()) {
        State s = state;
        s.pick.push_back(-1);
        next.push_back(std::move(s));
        continue;
      }
      for (std::size_t k = 0; k < lists[i].size(); ++k) {
        State s = state;
        s.cost += lists[i][k].cost;
        const Body body = bodyOf(rules[i], lists[i][k]);
        for (std::size_t j = 0; j < i; ++j) {
          if (s.pick[j] >= 0)
            s.cost += pairCost(body, bodyOf(rules[j], lists[j][static_cast<std::size_t>(s.pick[j])]), wanted_gap);
        }
        s.pick.push_back(static_cast<int>(k));
        next.push_back(std::move(s));
      }
    }
    std::stable_sort(next.begin(), next.end(), [](const State& a, const State& b) { return a.cost < b.cost; });
    if (next.size() > kWidth) next.resize(kWidth);
    states = std::move(next);
  }
  std::vector<Candidate> chosen(rules.size());
  for (std::size_t i = 0; i < rules.size(); ++i)
    if (states.front().pick[i] >= 0) chosen[i] = lists[i][static_cast<std::size_t>(states.front().pick[i])];
  return chosen;
}

Result<ConstructResult> Planner::plan(const Progress& progress) {
  progress("fixation", 0);
  ConstructResult result;
  makeFields(bonesNear(settings_.rays));
  if (progress.cancelled()) return cancelledError();
  progress("fixation", 0.2);

  // Spaces first (in parallel), then the rules in the order in which devices are chosen.
  std::vector<int> rays;
  for (int ray = 1; ray <= 5; ++ray) {
    if (std::find(settings_.rays.begin(), settings_.rays.end(), ray) == settings_.rays.end()) continue;
    if (bone(metatarsal(ray)) == nullptr || bone(tarsalPartner(ray)) == nullptr) {
      const Bone missing = bone(metatarsal(ray)) == nullptr ? metatarsal(ray) : tarsalPartner(ray);
      result.cautions.push_back(
          fmt::format("The {} ray is not fixed in this plan: the {} is missing.", ordinal(ray), boneName(missing)));
      continue;
    }
    rays.push_back(ray);
  }
  std::vector<std::string> fragments;
  for (const auto& [id, surface] : input_.fragments) {
    const auto parent = boneFromId(parentId(id));
    if (surface.empty() || !parent || bone(*parent) == nullptr) {
      result.cautions.push_back(fmt::format("Fragment {} is not fixed in this plan: its bone is missing.", id));
      continue;
    }
    const auto ray = rayOf(*parent);
    if (ray && std::find(rays.begin(), rays.end(), *ray) == rays.end()) continue;
    fragments.push_back(id);
  }
  std::vector<std::shared_ptr<const Space>> spaces(rays.size() + 2 * fragments.size());
  tbb::parallel_for(std::size_t{0}, spaces.size(), [&](std::size_t i) {
    const std::size_t f = i - rays.size();
    spaces[i] = i < rays.size() ? raySpace(rays[i]) : fragmentSpace(fragments[f / 2], f % 2 == 1);
  });
  if (progress.cancelled()) return cancelledError();
  progress("fixation", 0.5);

  std::vector<Rule> rules;
  const auto usesWire = [&](int ray) { return settings_.lateral_wires && ray >= 4; };
  for (std::size_t i = 0; i < rays.size(); ++i) {
    if (spaces[i] == nullptr) {
      result.cautions.push_back(
          fmt::format("The {} ray is not fixed in this plan: the {} does not face the {}; is it reduced?",
                      ordinal(rays[i]), boneName(metatarsal(rays[i])), boneName(tarsalPartner(rays[i]))));
    } else if (!usesWire(rays[i])) {
      rules.push_back(screwRule(rays[i], spaces[i]));
    }
  }
  for (std::size_t i = 0; i < rays.size(); ++i)
    if (spaces[i] != nullptr) rules.push_back(wireRule(rays[i], spaces[i], usesWire(rays[i])));
  // Each fragment's wires go the way that has the better path; both wires choose from one list.
  std::map<std::string, std::vector<Candidate>> fragment_lists;
  for (std::size_t i = 0; i < fragments.size(); ++i) {
    std::optional<bool> way;
    for (const bool into : {false, true}) {
      const auto& space = spaces[rays.size() + 2 * i + (into ? 1 : 0)];
      if (space == nullptr) continue;
      auto list = searchAll(fragmentRule(fragments[i], 'a', into, space), 60, 1.5, standing_, settings_.device_gap_mm);
      auto& best = fragment_lists[fragments[i]];
      if (!way || (!list.empty() && (best.empty() || list.front().cost < best.front().cost))) {
        way = into;
        best = std::move(list);
      }
    }
    if (!way) {
      result.cautions.push_back(
          fmt::format("Fragment {} gets no wire in this plan: it does not lie against its bone.", fragments[i]));
      continue;
    }
    for (const char letter : {'a', 'b'})
      rules.push_back(fragmentRule(fragments[i], letter, *way, spaces[rays.size() + 2 * i + (*way ? 1 : 0)]));
  }

  std::vector<std::vector<Candidate>> lists(rules.size());
  for (std::size_t i = 0; i < rules.size(); ++i) {
    if (rules[i].fragment) {
      const auto& through = rules[i].device.through;
      lists[i] = fragment_lists.at(through.front().find('.') != std::string::npos ? through.front() : through.back());
    } else {
      lists[i] = rules[i].device.kind == "screw" ? searchAll(rules[i], 40, 1.5, standing_, settings_.device_gap_mm)
                                                 : searchAll(rules[i], 60, 2.5, standing_, settings_.device_gap_mm);
    }
    if (progress.cancelled()) return cancelledError();
    progress("fixation", 0.5 + 0.35 * static_cast<double>(i + 1) / static_cast<double>(rules.size()));
  }
  std::vector<Candidate> chosen = beam(rules, lists, settings_.device_gap_mm);
  polish(rules, chosen);
  makeRoom(rules, chosen);
  if (progress.cancelled()) return cancelledError();
  progress("fixation", 0.95);

  const auto among = [&](std::vector<Device> devices) {
    devices.insert(devices.end(), input_.standing.begin(), input_.standing.end());
    return devices;
  };
  // A device is kept only if it is safe; definitive ones and those before it in the list have the right of way. Where
  // the path chosen is not safe when looked at closely, others are tried.
  std::vector<Rule> kept;
  std::vector<bool> held(6, false);
  for (std::size_t i = 0; i < rules.size(); ++i) {
    const Rule& rule = rules[i];
    auto [device, why] = safeDevice(rule, chosen[i], among(result.devices));
    if (!device && !rule.fragment) {
      device = searchedAnew(rule, lists[i], othersThan(i, rules, chosen), among(result.devices));
      if (device) chosen[i] = {device->entry, device->direction, chosen[i].crossing, device->length_mm, 0};
    }
    if (!device) chosen[i].cost = kNone;
    if (device) {
      result.devices.push_back(*device);
      kept.push_back(rule);
      if (!rule.fragment && device->stage == "definitive") held[static_cast<std::size_t>(device->ray)] = true;
    } else if (!(rule.fragment && rule.device.id.back() == 'b')) {  // a second wire is a bonus
      result.cautions.push_back(fmt::format("No safe {} was found: {}.", rule.what, why));
    }
  }
  for (std::size_t i = 0; i < rays.size(); ++i) {
    const int ray = rays[i];
    if (spaces[i] == nullptr || held[static_cast<std::size_t>(ray)] || usesWire(ray)) continue;
    if (ray < 4) {
      result.cautions.push_back(
          fmt::format("Nothing that stays holds the {} ray in this plan: a bridging plate is usual where no screw "
                      "fits, and has to be "
                      "planned by hand.",
                      ordinal(ray)));
      continue;
    }
    // The wire that stays takes the place of the one that would have held meanwhile.
    std::vector<Device> beside;
    std::vector<Body> bodies = standing_;
    for (const Device& d : result.devices)
      if (d.ray != ray || d.stage == "definitive") {
        beside.push_back(d);
        bodies.push_back(bodyOf(d, catalogue_));
      }
    const Rule rule = wireRule(ray, spaces[i], true);
    if (const auto wire = searchedAnew(rule, {}, bodies, among(beside))) {
      for (std::size_t k = result.devices.size(); k-- > 0;)
        if (result.devices[k].ray == ray && result.devices[k].stage == "temporary") {
          result.devices.erase(result.devices.begin() + static_cast<std::ptrdiff_t>(k));
          kept.erase(kept.begin() + static_cast<std::ptrdiff_t>(k));
        }
      result.devices.push_back(*wire);
      kept.push_back(rule);
      result.cautions.push_back(
          fmt::format("The {} ray is held by a 1.6 mm wire that stays, instead of a screw.", ordinal(ray)));
    }
  }
  for (std::size_t k = 0; k < kept.size(); ++k) {
    result.devices[k].checks = check(result.devices[k], among(result.devices), kept[k]);
    result.devices[k].warnings = warningsOf(result.devices[k], settings_, input_.ct != nullptr);
  }
  progress("fixation", 1);
  return result;
}

std::optional<Rule> Planner::ruleFor(const Device& device) {
  if (device.through.size() != 2) return std::nullopt;
  makeFields(bonesNear({std::clamp(device.ray, 1, 5)}));
  return ruleWithin(device);
}

std::optional<Rule> Planner::leanRuleFor(const Device& device) {
  if (device.through.size() != 2) return std::nullopt;
  makeLean({device});
  return ruleWithin(device);
}

void Planner::makeLean(const std::vector<Device>& devices) {
  std::vector<Bone> own;
  for (const Device& d : devices)
    for (const std::string& id : d.through)
      if (const auto b = boneFromId(parentId(id))) own.push_back(*b);
  makeFields(own);
  lean_ = true;
  std::vector<std::pair<const Device*, std::shared_ptr<const Space>>> fresh;
  for (const Device& d : devices)
    if (d.through.size() == 2 && spaces_.try_emplace(throughOf(d)).second) fresh.emplace_back(&d, nullptr);
  tbb::parallel_for(std::size_t{0}, fresh.size(), [&](std::size_t n) { fresh[n].second = spaceOf(*fresh[n].first); });
  for (auto& [device, space] : fresh) spaces_[throughOf(*device)] = std::move(space);
}

std::shared_ptr<const Space> Planner::spaceOf(const Device& device) {
  if (const auto fragment = fragmentOf(device)) {
    const bool there = surfaces_.contains(device.through[0]) && surfaces_.contains(device.through[1]);
    return there ? fragmentSpace(*fragment, *fragment == device.through.back()) : nullptr;
  }
  const bool there = device.ray >= 1 && device.ray <= 5 && bone(metatarsal(device.ray)) != nullptr &&
                     bone(tarsalPartner(device.ray)) != nullptr;
  return there ? raySpace(device.ray) : nullptr;
}

std::optional<Rule> Planner::ruleWithin(const Device& device) {
  const auto space = lean_ ? spaces_.at(throughOf(device)) : spaceOf(device);
  if (!space) return std::nullopt;
  const auto find = [&] {
    if (const auto fragment = fragmentOf(device))
      return fragmentRule(*fragment, 'a', *fragment == device.through.back(), space);
    return device.kind == "screw" ? screwRule(device.ray, space)
                                  : wireRule(device.ray, space, device.stage == "definitive");
  };
  std::optional<Rule> rule = find();
  // Another implant than the one planned with, by hand.
  const ImplantType* type = catalogue_.find(device.type);
  if (rule && type != nullptr && type->kind == rule->device.kind && type->id != rule->device.type) {
    rule->device.type = type->id;
    rule->device.diameter_mm = type->diameter_mm;
    rule->tool.radius = type->diameter_mm / 2;
    rule->head_radius = type->head_diameter_mm / 2;
    if (type->kind == "screw") {
      rule->lengths = type->lengths_mm;
      rule->tool.longest = type->lengths_mm.back() + 2;
    }
  }
  return rule;
}

Status validate(const ConstructInput& input, const Catalogue& catalogue, const ConstructSettings& settings) {
  if (input.reduced == nullptr) return fail(Fault::kInternal, "planConstruct was given no bones");
  for (const std::string& id : {kScrew, kHoldingWire, kLateralWire, kFragmentWire}) {
    const ImplantType* type = catalogue.find(id);
    if (type == nullptr)
      return fail(Fault::kRequest, fmt::format("the implant catalogue has no \"{}\"", id), "implants",
                  "Add it or use the catalogue that comes with the program (data/implants.json).");
    if (type->kind != (id == kScrew ? "screw" : "wire"))
      return fail(Fault::kRequest, fmt::format("\"{}\" of the implant catalogue is a {}", id, type->kind), "implants",
                  "Use the catalogue that comes with the program (data/implants.json).");
  }
  for (const int ray : settings.rays)
    if (ray < 1 || ray > 5)
      return fail(Fault::kRequest, fmt::format("there is no ray {}", ray), "rays", "Rays are numbered 1 to 5.");
  const auto range = [](double value, double low, double high, const char* name) -> Status {
    if (value >= low && value <= high) return {};
    return fail(Fault::kRequest, fmt::format("{} mm is out of range", value), name,
                fmt::format("Use {} to {} mm.", low, high));
  };
  for (const auto& status : {range(settings.cortex_margin_mm, 0, 3, "cortex_margin_mm"),
                             range(settings.device_gap_mm, 0, 5, "device_gap_mm"),
                             range(settings.end_clearance_mm, 0, 3, "end_clearance_mm"),
                             range(settings.joint_bridge_mm, 5, 20, "joint_bridge_mm")})
    if (!status) return status;
  return {};
}

}  // namespace

Result<ConstructResult> planConstruct(const ConstructInput& input, const Catalogue& catalogue,
                                      const ConstructSettings& settings, const Progress& progress) {
  if (const Status ok = validate(input, catalogue, settings); !ok) return tl::unexpected(ok.error());
  return Planner(input, catalogue, settings).plan(progress);
}

Result<DeviceChecks> checkDevice(const ConstructInput& input, const Device& device, const std::vector<Device>& all,
                                 const Catalogue& catalogue, const ConstructSettings& settings) {
  if (const Status ok = validate(input, catalogue, settings); !ok) return tl::unexpected(ok.error());
  Planner planner(input, catalogue, settings);
  const auto rule = planner.ruleFor(device);
  if (!rule)
    return fail(Fault::kRequest,
                fmt::format("device {} cannot be checked: its bones are missing or do not face each other", device.id),
                "through", "Name the two bones in the order the device enters them.");
  return planner.check(device, all, *rule);
}

// ---------------------------------------------------------------------------------------------- checks by hand

struct DeviceChecker::Impl {
  ConstructInput input;
  Catalogue catalogue;
  ConstructSettings settings;
  Planner planner{input, catalogue, settings};
  std::map<std::string, std::optional<Rule>> rules;           // by what decides the rule
  std::vector<std::shared_ptr<const DeviceChecker>> adopted;  // hold the fields of rules taken over

  Impl(ConstructInput in, Catalogue c, ConstructSettings s)
      : input(std::move(in)), catalogue(std::move(c)), settings(std::move(s)) {}

  const Rule* rule(const Device& d) {
    const std::string key = fmt::format("{}|{}|{}|{}|{}", d.ray, d.kind, d.stage, d.type, throughOf(d));
    auto known = rules.find(key);
    if (known == rules.end()) known = rules.emplace(key, planner.leanRuleFor(d)).first;
    return known->second ? &*known->second : nullptr;
  }
};

DeviceChecker::DeviceChecker(std::unique_ptr<Impl> impl) : impl_(std::move(impl)) {}
DeviceChecker::~DeviceChecker() = default;
DeviceChecker::DeviceChecker(DeviceChecker&&) noexcept = default;
DeviceChecker& DeviceChecker::operator=(DeviceChecker&&) noexcept = default;

Result<DeviceChecker> DeviceChecker::make(ConstructInput input, Catalogue catalogue, ConstructSettings settings) {
  if (const Status ok = validate(input, catalogue, settings); !ok) return tl::unexpected(ok.error());
  return DeviceChecker(std::make_unique<Impl>(std::move(input), std::move(catalogue), std::move(settings)));
}

namespace {
tl::unexpected<Error> notToBeChecked(const Device& device) {
  return fail(Fault::kRequest,
              fmt::format("device {} cannot be checked: its bones are missing or do not face each other", device.id),
              "through", "Name the two bones in the order the device enters them.");
}
}  // namespace

Result<DeviceChecks> DeviceChecker::check(const Device& device, const std::vector<Device>& all) {
  const Rule* rule = impl_->rule(device);
  if (rule == nullptr) return notToBeChecked(device);
  return impl_->planner.check(device, all, *rule);
}

Result<Device> DeviceChecker::drawn(const Device& device, const std::string& type_id, const Vec3& entry,
                                    const Vec3& tip) {
  const ImplantType* type = impl_->catalogue.find(type_id);
  if (type == nullptr)
    return fail(Fault::kRequest, fmt::format("the implant catalogue has no \"{}\"", type_id), "type",
                "Choose one of the catalogue.");
  if (type->kind != device.kind)
    return fail(Fault::kRequest,
                fmt::format("{} is a {} and {} is a {}", device.id, device.kind, type->name, type->kind), "type",
                fmt::format("Choose another {}.", device.kind));
  const double drawn_mm = (tip - entry).norm();
  if (!(drawn_mm >= 2))
    return fail(Fault::kRequest, fmt::format("the line of {} is {:.1f} mm long", device.id, drawn_mm), "tip",
                "Draw it from the cortex to where the tip should be, at least 2 mm.");
  Device out = device;
  out.type = type->id;
  out.diameter_mm = type->diameter_mm;
  out.direction = (tip - entry) / drawn_mm;
  const Rule* rule = impl_->rule(out);
  if (rule == nullptr) return notToBeChecked(device);
  const std::string& first = device.through.front();
  constexpr double kBackMm = 25;  // a line drawn with its entry farther off than this means something else
  std::optional<double> at;
  for (const auto& hit : rule->space->first_mesh->all(entry - kBackMm * out.direction, out.direction, 2 * kBackMm))
    if (hit.entering && (!at || std::abs(hit.distance - kBackMm) < std::abs(*at))) at = hit.distance - kBackMm;
  if (!at)
    return fail(Fault::kRequest, fmt::format("the line of {} does not enter {}", device.id, first), "entry",
                fmt::format("Move it until it does: {} is planned from {}.", device.id, first));
  out.entry = entry + *at * out.direction;
  // Points are stored to a thousandth and the entry is laid on the cortex anew: a size asked for is not lost by that.
  constexpr double kSlackMm = 0.05;
  const double asked = drawn_mm - *at + kSlackMm;
  if (type->kind == "screw") {
    out.length_mm = type->longestWithin(asked);
    out.countersink_mm = type->head_height_mm;
    if (out.length_mm <= 0)
      return fail(
          Fault::kRequest, fmt::format("{} would be {:.1f} mm long", device.id, std::max(0.0, asked)), "tip",
          fmt::format("The shortest {} is {:g} mm: draw its tip deeper.", type->name, type->lengths_mm.front()));
  } else {
    out.length_mm = std::floor(std::min(asked, type->lengths_mm.back() - kWireStubMm));
    out.countersink_mm = 0;
    if (out.length_mm < kLeastWireMm)
      return fail(Fault::kRequest, fmt::format("{} would go {:.1f} mm deep", device.id, std::max(0.0, asked)), "tip",
                  fmt::format("A wire goes at least {:g} mm deep: draw its tip deeper.", kLeastWireMm));
  }
  out.tip = out.entry + out.length_mm * out.direction;
  // The hole is drilled as deep as it may be where that asks for this length, else as deep as the device is long.
  const Reading r = path::read(*rule->space, out.entry, out.direction, rule->tool, 0.1);
  const double usable = r.crosses ? std::min(r.usable, rule->depth_cap) : out.length_mm;
  const double sold = type->kind == "screw" ? type->longestWithin(usable) : std::floor(usable);
  out.measured_depth_mm = sold > out.length_mm ? out.length_mm : usable;
  return out;
}

DeviceChecker::Neighbour DeviceChecker::nearest(const Device& device, const std::vector<Device>& all) const {
  Neighbour least;
  const Body body = bodyOf(device, impl_->catalogue);
  for (const Device& other : all) {
    if (other.id == device.id) continue;
    const double gap = bodyGap(body, bodyOf(other, impl_->catalogue));
    if (gap < least.mm) least = {other.id, gap};
  }
  return least;
}

bool DeviceChecker::enters(const Device& device, Bone bone) const { return impl_->planner.enters(device, bone); }
bool DeviceChecker::mayEnter(const Device& device, Bone bone) const { return impl_->planner.mayEnter(device, bone); }

std::vector<std::string> DeviceChecker::warnings(const Device& device) const {
  return warningsOf(device, impl_->settings, hasImage());
}

const ConstructSettings& DeviceChecker::settings() const { return impl_->settings; }

void DeviceChecker::moved(Bone bone, const Rigid& injured_to_reduced, const std::map<std::string, Surface>& fragments) {
  impl_->input.injured_to_reduced[bone] = injured_to_reduced;
  const std::string id(boneId(bone));
  const auto own = [&](const std::string& part) { return part.substr(0, part.find('.')) == id; };
  for (const auto& [part, surface] : fragments)
    if (own(part)) impl_->input.fragments[part] = surface;
  std::erase_if(impl_->rules, [&](const auto& entry) {
    const auto& rule = entry.second;
    return !rule || std::any_of(rule->device.through.begin(), rule->device.through.end(), own);
  });
  impl_->planner.forget(bone);
}

void DeviceChecker::prepare(const std::vector<Device>& devices) {
  impl_->planner.makeLean(devices);
  for (const Device& d : devices) (void)impl_->rule(d);
}

void DeviceChecker::adopt(std::shared_ptr<const DeviceChecker> other) {
  for (const auto& [key, rule] : other->impl_->rules) impl_->rules.emplace(key, rule);
  impl_->adopted.push_back(std::move(other));
}

void DeviceChecker::setImage(const CtVolume* ct) { impl_->input.ct = ct; }
bool DeviceChecker::hasImage() const { return impl_->input.ct != nullptr; }

}  // namespace rayset
