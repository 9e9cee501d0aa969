#include "workspace/case_state.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "anatomy/part_id.h"
#include "base/words.h"
#include "case/data_words.h"
#include "fixation/check_words.h"
#include "report/words.h"

namespace rayset {
namespace {

using words::RayState;

// From here a number is reported as worth a look.
constexpr double kUnsureMm = kDisplacedFromMm;
constexpr double kGaugeOffMm = 2;  // one size of screw

const EditedDevice& editedDevice(const StateInput& in, const Device& d) {
  static const EditedDevice kNone;
  const EditedDevice* e = in.edits.device(d.id);
  return e != nullptr ? *e : kNone;
}

Message rayWords(const RayDisplacement& d) {
  const Message shift = words::shift(d), turn = words::turn(d);
  const Message where = !d.told         ? Message("workspace.best_estimate", {{"out", mm(d.asideMm())}})
                        : !d.displaced  ? Message("workspace.in_place_by", {{"out", mm(d.asideMm())}})
                        : shift.empty() ? Message("workspace.out_place", {{"out", mm(d.asideMm())}})
                                        : capitalised(shift);
  return turn.empty() ? where : Message("join.semicolon", {{"first", where}, {"second", turn}});
}

bool gaugeOff(const StateInput& in, const Device& device) {
  const auto depth = in.edits.depths.find(device.id);
  return depth != in.edits.depths.end() && std::abs(depth->second - device.measured_depth_mm) > kGaugeOffMm;
}

/// What about a ray needs a look.
std::vector<Message> attention(const StateInput& in, const RayReduction& r, const RayDisplacement& d) {
  const Case& c = in.edited;
  std::vector<Message> out;
  for (const Bone b : {metatarsal(r.ray), tarsalPartner(r.ray)}) {
    const auto bone = c.bones.find(b);
    if (bone == c.bones.end())
      out.push_back(Message("workspace.not_found", {{"bone", boneId(b)}}));
    else if (bone->second.confidence < kDoubtful)
      out.push_back(Message(
          "workspace.may_wrong",
          {{"bone", boneId(b)}, {"why", bone->second.doubt.empty() ? "no" : "yes"}, {"doubt", bone->second.doubt}}));
  }
  if (!d.told && !r.doubt.empty()) out.push_back(capitalised(r.doubt));
  if (r.by_hand) {
    out.emplace_back(Message("workspace.placed_hand"));
  } else if (r.uncertainty_mm > kUnsureMm) {
    out.push_back(Message("workspace.place_known_only", {{"uncertainty", mm(r.uncertainty_mm)}}));
  }
  if (!r.by_hand && d.told && std::abs(d.asideMm() - kDisplacedFromMm) < r.uncertainty_mm)
    out.push_back(Message("workspace.out_place_within_uncertainty_limit",
                          {{"aside_mm", mm(d.asideMm())}, {"displaced_from_mm", mm(kDisplacedFromMm, 0)}}));
  if (r.joint.overlap_mm > kOverlapToldFromMm)
    out.push_back(Message("workspace.bones_joint_overlap", {{"overlap", mm(r.joint.overlap_mm)}}));
  if (const auto step = dorsalStepLeft(r)) out.push_back(Message("workspace.dorsal_step_left", {{"step", mm(*step)}}));
  if (r.ray == 2)
    for (const auto& [id, f] : c.fragments)
      out.push_back(f.fit.doubt.empty() ? Message("workspace.fragment", {{"id", id}})
                                        : Message("workspace.fragment_doubt", {{"id", id}, {"doubt", f.fit.doubt}}));
  bool held = false;
  for (const Device& device : c.fixation.devices) {
    if (device.ray != r.ray) continue;
    held = held || (device.stage == DeviceStage::kDefinitive && !isFragmentId(device.through.front()));
    const auto reasons = deviceReasons(in.checker, device, c.fixation.devices);
    if (!reasons.empty()) out.push_back({"workspace.of_device", {{"id", device.id}, {"reason", reasons.front()}}});
    if (const auto depth = in.edits.depths.find(device.id); gaugeOff(in, device))
      out.push_back(Message(
          "workspace.gauge_read_expected",
          {{"id", device.id}, {"depth", mm(depth->second, -1)}, {"measured_depth", mm(device.measured_depth_mm)}}));
  }
  if (!held) out.emplace_back(Message("workspace.no_definitive_device_holds"));
  return out;
}

std::vector<StateBody> bodiesOf(const Case& c) {
  std::vector<StateBody> out;
  for (const auto& [bone, b] : c.bones) {
    StateBody body{std::string(boneId(bone)), nameOf(bone), rayOf(bone), {}, &b};
    if (const RayReduction* r = body.ray ? find(c.reduction.rays, *body.ray) : nullptr)
      body.injured_to_reduced = r->injured_to_reduced;
    out.push_back(std::move(body));
  }
  for (const auto& [id, f] : c.fragments)
    out.push_back({id, Message("workspace.fragment_second_metatarsal"), Ray(2), f.injured_to_reduced, &f.bone});
  return out;
}

/// The instruments of the catalogue that serve an implant, else what its sizes ask for.
Message instrumentsFor(const Case& c, const Device& d) {
  std::vector<Message> names;
  for (const InstrumentType& tool : c.catalogue.instruments)
    if (std::find(tool.for_implants.begin(), tool.for_implants.end(), d.type) != tool.for_implants.end())
      names.push_back(nameOf(tool));
  if (traits(d.kind).threaded) {
    names.emplace_back("workspace.screwdriver");
  } else if (names.empty()) {
    names.emplace_back(Message("workspace.wire_driver_wire_cutter_bender"));
  }
  return {"workspace.tools", {{"tools", all(names)}}};
}

std::vector<StateStep> stepsOf(const StateInput& in) {
  const Case& c = in.edited;
  std::vector<StateStep> out;
  for (words::Step& s : words::steps(c, in.axes)) {
    StateStep told;
    told.done = in.edits.steps_done.contains(s.id);
    std::string picture;
    if (s.ray) {
      told.view = *s.ray <= 2 ? NamedView::kDorsoplantar20 : NamedView::kOblique30;
      if (s.device.empty()) told.instrument = Message("workspace.pointed_reduction_forceps");
      // Pictures show the plan: they would mislead if the ray or its devices were changed by hand.
      if (!in.edits.poses.contains(*s.ray) && !in.edits.changed_rays.contains(*s.ray))
        picture = fmt::format("pictures/ray{}_{}.png", *s.ray, s.device.empty() ? "dorsal" : "side");
    } else if (s.id == "finish") {
      told.view = NamedView::kLateral;
      if (in.edits.changed_rays.empty() && in.edits.poses.empty()) picture = "pictures/film_lateral_metal.png";
    }
    for (const Device& d : c.fixation.devices)
      if (d.id == s.device) {
        told.device = d.id;
        told.instrument = instrumentsFor(c, d);
        told.expected_mm = traits(d.kind).threaded ? d.measured_depth_mm : d.length_mm;
      }
    std::error_code none;
    if (!picture.empty() && std::filesystem::exists(in.folder / picture, none)) told.picture = picture;
    told.step = std::move(s);
    out.push_back(std::move(told));
  }
  return out;
}

}  // namespace

StateRay stateOf(const StateInput& in, const RayReduction& r, const RayDisplacement& d) {
  return {r.ray, &r, find(in.planned.reduction.rays, r.ray), &d, rayWords(d), attention(in, r, d)};
}

StateDevice stateOf(const StateInput& in, const Device& d, const std::vector<Device>& all, bool by_hand) {
  const Case& c = in.edited;
  const ImplantType* type = c.catalogue.find(d.type);
  StateDevice out;
  out.device = &d;
  out.by_hand = by_hand;
  out.name = words::implantName(c, d);
  out.entry_words = words::entry(c, d, in.axes);
  out.direction_words = words::direction(c, d);
  out.margin_wanted_mm = marginWanted(d, in.checker.settings());
  out.reasons = deviceReasons(in.checker, d, all);
  out.remarks = remarksOn(d, in.checker.hasImage());
  if (type != nullptr && !traits(type->kind).cut_to_length) out.lengths_mm = type->lengths_mm;
  if (const auto depth = in.edits.depths.find(d.id); depth != in.edits.depths.end()) out.measured_mm = depth->second;
  out.gauge_off = gaugeOff(in, d);
  out.outline = outlineRings(d, type);
  if (wiresMayHold(d.ray) && d.stage == DeviceStage::kDefinitive) {
    const DeviceKind other = d.kind == DeviceKind::kWire ? DeviceKind::kScrew : DeviceKind::kWire;
    out.swaps_to = std::string(traits(other).words);
  }
  return out;
}

std::vector<Message> deviceReasons(const DeviceChecker& checker, const Device& device, const std::vector<Device>& all) {
  Device d = device;
  const auto near = checker.nearest(d, all);
  d.checks.nearest_device_mm = near.mm;
  std::vector<Message> out = failedChecks(d, checker.settings(), near.id);
  for (Message& text : out) text = capitalised(std::move(text));
  return out;
}

PlannedState plannedState(const StateInput& in) {
  const Case& c = in.edited;
  StatePlan plan{&c, &in.axes, bodiesOf(c), {}, {}};
  for (const Ray ray : kRays) {
    const RayReduction* r = find(c.reduction.rays, ray);
    const RayDisplacement* d = find(c.rays, ray);
    if (r != nullptr && d != nullptr)
      plan.rays.push_back(stateOf(in, *r, *d));
    else
      plan.rays.push_back({ray,
                           nullptr,
                           nullptr,
                           nullptr,
                           capitalised(words::word(RayState::kUnknown)),
                           {Message("workspace.not_judged_bone_not_found")}});
  }
  for (const Device& d : c.fixation.devices)
    plan.devices.push_back(stateOf(in, d, c.fixation.devices, editedDevice(in, d).by_hand));
  return {std::move(plan), {stepsOf(in), words::instruments(c)}};
}

std::vector<StepTitle> stepTitles(const StateTheatre& theatre) {
  std::vector<StepTitle> out;
  for (const StateStep& s : theatre.steps) out.push_back({s.step.id, s.step.title});
  return out;
}

}  // namespace rayset
