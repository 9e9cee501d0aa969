#include "fixation/construct.h"

#include <fmt/format.h>
#include <fmt/ranges.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <cmath>

#include "fixation/check_words.h"
#include "fixation/construct_request.h"
#include "fixation/device_inspector.h"
#include "fixation/device_model.h"
#include "fixation/path_search.h"

namespace rayset {
namespace {

using namespace fixation;
using path::Reading;
using path::Space;

constexpr double kCrowdedMm = 0.1;   // below the distance wanted between devices: what polishing usually leaves
constexpr double kLeastGapMm = 0.3;  // to another device, or it is not planned

using SpacePtr = std::shared_ptr<const Space>;

// A ray to be fixed, or a fragment, with the spaces its devices go through; null if the bones do not face each other.
struct RayJoint {
  Ray ray;
  SpacePtr space;
};
struct Break {
  std::string fragment;
  SpacePtr out_of, into;  // from the fragment into its bone, and the other way
};

// A planned device, with its rule.
struct Placed {
  Device device;
  Rule rule;
};

class Planner {
 public:
  Planner(const ConstructInput& input, const Catalogue& catalogue, const ConstructSettings& settings)
      : input_(input), catalogue_(catalogue), settings_(settings) {
    standing_.wanted_gap_mm = settings.device_gap_mm;
    for (const Device& d : input.standing) standing_.bodies.push_back(bodyOf(d, catalogue));
  }

  Result<ConstructResult> plan(const Progress& progress);

 private:
  // What is to be fixed.
  void findJoints();
  void findBreaks();
  void makeSpaces();
  // The devices wanted, with the paths found for each.
  void wantScrewsAndWires();
  void wantFragmentWires(const Break& b);
  [[nodiscard]] Status findPaths(const Progress& progress);
  // Which path each takes.
  void polishAll();
  void makeRoom();
  // What is kept.
  void keepSafeOnes();
  void holdOtherwise();
  void holdByWire(const RayJoint& joint);
  [[nodiscard]] ConstructResult checked();

  [[nodiscard]] bool usesWire(Ray ray) const { return settings_.lateral_wires && ray >= 4; }
  [[nodiscard]] Neighbours neighboursOf(std::size_t i) const;
  [[nodiscard]] std::vector<Device> amongStanding(std::vector<Device> devices) const;
  [[nodiscard]] std::vector<Device> placedDevices() const;
  [[nodiscard]] std::optional<Device> finished(const Rule& rule, const Candidate& c) const;
  [[nodiscard]] std::pair<std::optional<Device>, Message> safeDevice(const Rule& rule, const Candidate& c,
                                                                     const std::vector<Device>& kept) const;
  [[nodiscard]] std::optional<Device> searchedAnew(const Rule& rule, std::vector<Candidate> list,
                                                   const Neighbours& others, const std::vector<Device>& kept) const;
  void caution(Message message) { cautions_.push_back(std::move(message)); }

  const ConstructInput& input_;
  const Catalogue& catalogue_;
  const ConstructSettings& settings_;
  ReducedFoot foot_{input_};
  RuleBook rules_{input_, catalogue_, settings_, foot_};
  DeviceInspector inspector_{input_, catalogue_, foot_};
  Neighbours standing_;

  std::vector<RayJoint> joints_;
  std::vector<Break> breaks_;
  std::vector<Wanted> wanted_;  // in the order of choice and of priority
  std::vector<Placed> placed_;
  std::vector<Message> cautions_;
};

Result<ConstructResult> Planner::plan(const Progress& progress) {
  progress("fixation", 0);
  foot_.makeFields(foot_.bonesNear(settings_.rays));
  if (progress.cancelled()) return cancelledError();
  progress("fixation", 0.2);

  findJoints();
  findBreaks();
  makeSpaces();
  if (progress.cancelled()) return cancelledError();
  progress("fixation", 0.5);

  wantScrewsAndWires();
  for (const Break& b : breaks_) wantFragmentWires(b);
  if (const Status ok = findPaths(progress); !ok) return tl::unexpected(ok.error());
  chooseTogether(wanted_, settings_.device_gap_mm);
  polishAll();
  makeRoom();
  if (progress.cancelled()) return cancelledError();
  progress("fixation", 0.95);

  keepSafeOnes();
  holdOtherwise();
  ConstructResult result = checked();
  progress("fixation", 1);
  return result;
}

// ---------------------------------------------------------------------------------------------- what is to be fixed

void Planner::findJoints() {
  for (const Ray ray : kRays) {
    if (std::find(settings_.rays.begin(), settings_.rays.end(), ray) == settings_.rays.end()) continue;
    const auto gone = [&](Bone b) { return foot_.bone(b) == nullptr; };
    if (const Bone m = metatarsal(ray), t = tarsalPartner(ray); gone(m) || gone(t))
      caution(
          Message("fixation.ray_not_fixed_plan_missing", {{"ray", nameOf(ray)}, {"bone", nameOf(gone(m) ? m : t)}}));
    else
      joints_.push_back({ray, nullptr});
  }
}

void Planner::findBreaks() {
  for (const auto& [id, surface] : input_.fragments) {
    const auto parent = boneFromId(parentId(id));
    if (surface.empty() || !parent || foot_.bone(*parent) == nullptr) {
      caution(Message("fixation.fragment_not_fixed_plan_bone_missing", {{"id", id}}));
      continue;
    }
    const auto ray = rayOf(*parent);
    if (!ray || std::ranges::find(joints_, *ray, &RayJoint::ray) != joints_.end()) breaks_.push_back({id, {}, {}});
  }
}

void Planner::makeSpaces() {
  const std::size_t rays = joints_.size();
  tbb::parallel_for(std::size_t{0}, rays + 2 * breaks_.size(), [&](std::size_t i) {
    if (i < rays) {
      joints_[i].space = foot_.raySpace(joints_[i].ray);
      return;
    }
    Break& b = breaks_[(i - rays) / 2];
    const bool into = (i - rays) % 2 == 1;
    (into ? b.into : b.out_of) = foot_.fragmentSpace(b.fragment, into);
  });
  for (const auto& [ray, space] : joints_)
    if (space == nullptr)
      caution(
          Message("fixation.ray_not_fixed_plan_does_not",
                  {{"ray", nameOf(ray)}, {"bone", nameOf(metatarsal(ray))}, {"bone_2", nameOf(tarsalPartner(ray))}}));
}

// ---------------------------------------------------------------------------------------------- devices and paths

void Planner::wantScrewsAndWires() {
  for (const auto& [ray, space] : joints_)
    if (space != nullptr && !usesWire(ray))
      wanted_.push_back({modelOf(DeviceKind::kScrew).rule(rules_, ray, DeviceStage::kDefinitive, space), {}, {}});
  for (const auto& [ray, space] : joints_)
    if (space != nullptr)
      wanted_.push_back(
          {modelOf(DeviceKind::kWire)
               .rule(rules_, ray, usesWire(ray) ? DeviceStage::kDefinitive : DeviceStage::kTemporary, space),
           {},
           {}});
}

// Both wires of a fragment go in the direction with the better path, and choose from one list.
void Planner::wantFragmentWires(const Break& b) {
  std::optional<bool> way;
  std::vector<Candidate> best;
  for (const bool into : {false, true}) {
    const SpacePtr& space = into ? b.into : b.out_of;
    if (space == nullptr) continue;
    auto list = searchAll(rules_.fragmentWire(b.fragment, 'a', into, space), standing_, {.keep = 60, .apart_mm = 1.5});
    if (way && (list.empty() || (!best.empty() && list.front().cost >= best.front().cost))) continue;
    way = into;
    best = std::move(list);
  }
  if (!way) {
    caution(Message("fixation.fragment_gets_no_wire_plan_does", {{"fragment", b.fragment}}));
    return;
  }
  for (const char letter : {'a', 'b'})
    wanted_.push_back({rules_.fragmentWire(b.fragment, letter, *way, *way ? b.into : b.out_of), best, {}});
}

Status Planner::findPaths(const Progress& progress) {
  constexpr SearchSettings kScrews{.keep = 40, .apart_mm = 1.5}, kWires{.keep = 60, .apart_mm = 2.5};
  for (std::size_t i = 0; i < wanted_.size(); ++i) {
    Wanted& w = wanted_[i];
    if (!w.rule.fragment)
      w.found = searchAll(w.rule, standing_, traits(w.rule.device.kind).threaded ? kScrews : kWires);
    if (progress.cancelled()) return cancelledError();
    progress("fixation", 0.5 + 0.35 * static_cast<double>(i + 1) / static_cast<double>(wanted_.size()));
  }
  return {};
}

// ---------------------------------------------------------------------------------------------- which path each takes

Neighbours Planner::neighboursOf(std::size_t i) const {
  Neighbours others = standing_;
  for (std::size_t j = 0; j < wanted_.size(); ++j)
    if (j != i && wanted_[j].chosen.possible()) others.bodies.push_back(bodyOf(wanted_[j].rule, wanted_[j].chosen));
  return others;
}

// Every device in turn, for two rounds.
void Planner::polishAll() {
  for (int round = 0; round < 2; ++round)
    for (std::size_t i = 0; i < wanted_.size(); ++i)
      if (Wanted& w = wanted_[i]; w.chosen.possible()) w.chosen = polished(w.rule, w.chosen, neighboursOf(i));
}

// Devices in each other's way after the joint choice: each searches everywhere for a new path, with the others in
// place, and takes it if it costs less. Once, in the order of the rules.
void Planner::makeRoom() {
  constexpr SearchSettings kAnew{.keep = 4, .apart_mm = 2.5};
  for (std::size_t i = 0; i < wanted_.size(); ++i) {
    const Rule& rule = wanted_[i].rule;
    Candidate& chosen = wanted_[i].chosen;
    if (!chosen.possible() || rule.fragment) continue;
    const Neighbours others = neighboursOf(i);
    const DeviceBody now = bodyOf(rule, chosen);
    const bool crowded = std::any_of(others.bodies.begin(), others.bodies.end(), [&](const DeviceBody& other) {
      return bodyGap(now, other) < settings_.device_gap_mm - kCrowdedMm;
    });
    if (!crowded) continue;
    const auto cost = [&](const Candidate& c) {
      return pathCost(rule, c.entry, c.direction, 0.5) + others.addedTo(0, bodyOf(rule, c));
    };
    double least = cost(chosen);
    for (const Candidate& c : searchAll(rule, others, kAnew)) {
      const Candidate better = polished(rule, c, others);
      if (const double its = cost(better); its < least) {
        least = its;
        chosen = better;
      }
    }
  }
}

// ---------------------------------------------------------------------------------------------- from path to device

// Entry on the cortex to the bit, and the length that is sold or driven. Nothing if the device would not hold.
std::optional<Device> Planner::finished(const Rule& rule, const Candidate& c) const {
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

// The device of a path if it is safe among those kept; if not, why, in words.
std::pair<std::optional<Device>, Message> Planner::safeDevice(const Rule& rule, const Candidate& c,
                                                              const std::vector<Device>& kept) const {
  static const Message no_path("fixation.no_straight_path_cortex_across_joint");
  auto device = c.possible() ? finished(rule, c) : std::nullopt;
  if (!device) return {std::nullopt, no_path};
  const DeviceChecks checks = inspector_.checks(*device, kept, rule);
  if (checks.cortex_margin_mm < 0 || checks.inside_fraction < 1) return {std::nullopt, no_path};
  if (!checks.other_bones.empty())
    return {std::nullopt, Message("fixation.every_path_enters", {{"other_bones", all(checks.other_bones)}})};
  if (checks.nearest_device_mm < kLeastGapMm) return {std::nullopt, Message("fixation.no_room_beside_other_devices")};
  return {std::move(device), Message()};
}

// A safe device of this rule from anywhere else: the earlier candidates, then a search twice as fine.
std::optional<Device> Planner::searchedAnew(const Rule& rule, std::vector<Candidate> list, const Neighbours& others,
                                            const std::vector<Device>& kept) const {
  constexpr std::size_t kTries = 8;  // of either list: each needs polishing
  for (const bool fine : {false, true}) {
    if (fine)
      list = searchAll(rule, others, {.keep = kTries, .apart_mm = 1.0, .spacing = 0.5});
    else
      for (Candidate& c : list) c.cost += others.addedTo(0, bodyOf(rule, c));
    std::stable_sort(list.begin(), list.end(), [](const Candidate& a, const Candidate& b) { return a.cost < b.cost; });
    for (std::size_t k = 0; k < std::min(kTries, list.size()); ++k)
      if (auto device = safeDevice(rule, polished(rule, list[k], others), kept).first) return device;
  }
  return std::nullopt;
}

// ---------------------------------------------------------------------------------------------- what becomes of it

std::vector<Device> Planner::placedDevices() const {
  std::vector<Device> devices;
  for (const Placed& p : placed_) devices.push_back(p.device);
  return devices;
}

std::vector<Device> Planner::amongStanding(std::vector<Device> devices) const {
  devices.insert(devices.end(), input_.standing.begin(), input_.standing.end());
  return devices;
}

// A device is kept only if it is safe; definitive ones and those before it in the list take precedence. If the chosen
// path proves unsafe on close inspection, others are tried.
void Planner::keepSafeOnes() {
  for (std::size_t i = 0; i < wanted_.size(); ++i) {
    auto& [rule, found, chosen] = wanted_[i];
    const std::vector<Device> kept = amongStanding(placedDevices());
    auto [device, why] = safeDevice(rule, chosen, kept);
    if (!device && !rule.fragment) {
      device = searchedAnew(rule, found, neighboursOf(i), kept);
      if (device) chosen = {device->entry, device->direction, chosen.crossing, device->length_mm, 0};
    }
    if (device) {
      placed_.push_back({std::move(*device), rule});
      continue;
    }
    chosen.cost = kNoPath;
    const bool second_wire = rule.fragment && rule.device.id.back() == 'b';  // a bonus
    if (!second_wire) caution(Message("fixation.no_safe_found", {{"what", rule.what}, {"why", why}}));
  }
}

// Rays that no definitive device holds.
void Planner::holdOtherwise() {
  for (const RayJoint& joint : joints_) {
    const bool held = std::any_of(placed_.begin(), placed_.end(), [&](const Placed& p) {
      return !p.rule.fragment && p.device.stage == DeviceStage::kDefinitive && p.device.ray == joint.ray;
    });
    if (joint.space == nullptr || held || usesWire(joint.ray)) continue;
    if (joint.ray >= 4)
      holdByWire(joint);
    else
      caution(Message("fixation.nothing_stays_holds_ray_plan_bridging", {{"ray", nameOf(joint.ray)}}));
  }
}

// The permanent wire replaces the temporary one.
void Planner::holdByWire(const RayJoint& joint) {
  const auto gives_way = [&](const Placed& p) {
    return p.device.ray == joint.ray && p.device.stage == DeviceStage::kTemporary;
  };
  std::vector<Device> beside;
  Neighbours others = standing_;
  for (const Placed& p : placed_) {
    if (gives_way(p)) continue;
    beside.push_back(p.device);
    others.bodies.push_back(bodyOf(p.device, catalogue_));
  }
  Rule rule = modelOf(DeviceKind::kWire).rule(rules_, joint.ray, DeviceStage::kDefinitive, joint.space);
  auto wire = searchedAnew(rule, {}, others, amongStanding(std::move(beside)));
  if (!wire) return;
  std::erase_if(placed_, gives_way);
  placed_.push_back({std::move(*wire), std::move(rule)});
  caution(Message("fixation.ray_held_1_6_mm_wire", {{"ray", nameOf(joint.ray)}}));
}

ConstructResult Planner::checked() {
  const std::vector<Device> all = amongStanding(placedDevices());
  ConstructResult result;
  result.cautions = std::move(cautions_);
  for (auto& [device, rule] : placed_) {
    device.checks = inspector_.checks(device, all, rule);
    device.warnings = warningsOf(device, settings_, input_.ct != nullptr);
    result.devices.push_back(std::move(device));
  }
  return result;
}

}  // namespace

Result<ConstructResult> planConstruct(const ConstructInput& input, const Catalogue& catalogue,
                                      const ConstructSettings& settings, const Progress& progress) {
  if (const Status ok = validRequest(input, catalogue, settings); !ok) return tl::unexpected(ok.error());
  return Planner(input, catalogue, settings).plan(progress);
}

Result<DeviceChecks> checkDevice(const ConstructInput& input, const Device& device, const std::vector<Device>& all,
                                 const Catalogue& catalogue, const ConstructSettings& settings) {
  if (const Status ok = validRequest(input, catalogue, settings); !ok) return tl::unexpected(ok.error());
  if (device.through.size() != 2) return notToBeChecked(device);
  ReducedFoot foot(input);
  foot.makeFields(foot.bonesNear({device.ray}));
  const auto space = foot.spaceOf(device);
  if (!space) return notToBeChecked(device);
  const Rule rule = RuleBook(input, catalogue, settings, foot).of(device, space);
  return DeviceInspector(input, catalogue, foot).checks(device, all, rule);
}

}  // namespace rayset
