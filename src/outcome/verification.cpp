#include "outcome/verification.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "anatomy/frames.h"
#include "base/units.h"
#include "base/words.h"
#include "fixation/device_checker.h"
#include "xray/bodies.h"

namespace rayset {
namespace {

// A device counts as planned up to here: ours, the size of the plan's own wanted margins.
constexpr double kDeviceOffMm = 2.0, kDeviceTurnDeg = 5.0, kDeviceLongerMm = 1.5;

Outcome worse(Outcome a, Outcome b) { return static_cast<int>(a) > static_cast<int>(b) ? a : b; }

}  // namespace

std::string_view wordOf(Outcome outcome) {
  switch (outcome) {
    case Outcome::kAnatomical:
      return "anatomical";
    case Outcome::kAcceptable:
      return "acceptable";
    case Outcome::kNotReduced:
      return "not reduced";
    case Outcome::kUnknown:
      break;
  }
  return "not known";
}

Device asFound(const Device& planned, const DeviceOutcome& found) {
  Device out = planned;
  out.entry = found.entry;
  out.tip = found.tip;
  out.direction = (found.tip - found.entry).normalized();
  out.length_mm = (found.tip - found.entry).norm();
  return out;
}

Message directionWords(const Vec3& d, const Frame& f) {
  const Vec3 c = f.components(d).cwiseAbs();  // medial, distal, dorsal
  const std::array<Message, 3> words{"outcome.medial_lateral", "outcome.along_ray", "outcome.dorsal_plantar"};
  int most = 0;
  c.maxCoeff(&most);
  int second = -1;
  for (int k = 0; k < 3; ++k)
    if (k != most && c[k] > 0.5 && (second < 0 || c[k] > c[second])) second = k;
  std::vector<Message> ways{words[static_cast<std::size_t>(most)]};
  if (second >= 0) ways.emplace_back(words[static_cast<std::size_t>(second)]);
  return {"outcome.ways", {{"ways", all(ways)}}};
}

std::vector<double> otherLengths(const Device& device, const Catalogue& catalogue) {
  constexpr double kSameMm = 0.5, kFarthestMm = 9;
  std::vector<double> out;
  const ImplantType* type = catalogue.find(device.type);
  if (type == nullptr || traits(device.kind).cut_to_length) return out;
  for (const double length : type->lengths_mm) {
    const double longer = length - device.length_mm;
    if (std::abs(longer) > kSameMm && std::abs(longer) < kFarthestMm) out.push_back(longer);
  }
  return out;
}

Result<VerdictLimits> verdictLimits(const Limits& limits) {
  VerdictLimits out;
  for (const auto& [key, target] : {std::pair{"anatomical_displacement", &out.anatomical_mm},
                                    {"acceptable_displacement", &out.acceptable_mm},
                                    {"talometatarsal_angle", &out.angle_deg}}) {
    const auto value = limits.value(key);
    if (!value) return tl::unexpected(value.error());
    *target = *value;
  }
  return out;
}

Status drawConclusions(const PlanRecord& plan, const Catalogue& catalogue, const Limits& limits, Verification& v) {
  const auto judged_by = verdictLimits(limits);
  if (!judged_by) return tl::unexpected(judged_by.error());
  const auto [anatomical, acceptable, angle_limit] = *judged_by;
  BoneSurfaces found = plan.reduced;
  for (const auto& [ray, r] : v.rays) {
    Surface& bone = found.at(metatarsal(ray));
    bone = transformed(bone, r.planned_to_found);
  }
  v.measures = ctMeasures(found, plan.side, plan.frame, nullptr, limits);
  double angle = 0;
  for (const Measure& m : v.measures)
    if (m.key == "talo_m1_lateral") angle = std::abs(m.value);

  v.verdict = Outcome::kAnatomical;
  v.sure = true;
  bool any = false, not_reduced = false;
  if (v.rays.size() < kRays.size()) v.partial = true;
  for (auto& [ray, r] : v.rays) {
    any = true;
    const Vec3 base = basePoint(plan.reduced.at(metatarsal(ray)), plan.frame.distal);
    r.off = displacement(ray, r.planned_to_found, base, plan.frame);
    r.shift_mm = (r.planned_to_found * base - base).norm();
    r.turn_rad = rotationAngle(r.planned_to_found.linear());
    const auto band = [anatomical = anatomical, acceptable = acceptable](double shift) {
      if (shift <= anatomical) return Outcome::kAnatomical;
      return shift < acceptable ? Outcome::kAcceptable : Outcome::kNotReduced;
    };
    if (v.oneFilm()) {
      const bool off = r.in_plane_mm - r.in_plane_95_mm >= acceptable;
      r.verdict = off ? Outcome::kNotReduced : Outcome::kUnknown;
      if (!off) r.doubt = Message("outcome.one_film_tells_nothing_along_beam_2");
      r.sure = r.doubt.empty();
      v.sure = v.sure && r.sure;
      not_reduced = not_reduced || off;
      continue;
    }
    r.verdict = band(r.shift_mm);
    if (ray == 1 && angle >= angle_limit) r.verdict = Outcome::kNotReduced;
    if (r.doubt.empty() &&
        (band(std::max(0.0, r.shift_mm - r.shift_95_mm)) != r.verdict || band(r.shift_mm + r.shift_95_mm) != r.verdict))
      r.doubt = Message("outcome.95_interval_reaches_over_limit");
    r.sure = r.doubt.empty();
    v.verdict = worse(v.verdict, r.verdict);
    v.sure = v.sure && r.sure;
  }
  if (v.oneFilm()) v.verdict = not_reduced ? Outcome::kNotReduced : Outcome::kUnknown;
  if (!any) {
    v.verdict = Outcome::kUnknown;
    v.sure = false;
  }

  // Metal as found, in the bones as found.
  ConstructInput input;
  input.reduced = &found;
  input.side = plan.side;
  input.frame = plan.frame;
  for (const auto& [id, surface] : plan.fragments) {
    const RayOutcome* ray = find(v.rays, Ray(2));
    input.fragments[id] = ray != nullptr ? transformed(surface, ray->planned_to_found) : surface;
  }
  std::vector<Device> as_found;
  for (const DeviceOutcome& d : v.devices) {
    const Device* planned = plan.device(d.id);
    if (planned == nullptr || !d.seen) continue;
    as_found.push_back(asFound(*planned, d));
  }
  auto checker = DeviceChecker::make(input, catalogue);  // its distance fields serve every device
  if (checker) checker->prepare(as_found);
  for (DeviceOutcome& d : v.devices) {
    if (!d.seen) {
      v.partial = true;
      d.warnings.push_back(Message("outcome.not_found_images"));
      continue;
    }
    const auto device = std::find_if(as_found.begin(), as_found.end(), [&](const Device& a) { return a.id == d.id; });
    const Device& planned = *plan.device(d.id);
    d.entry_off_mm = (d.entry - planned.entry).norm();
    d.tip_off_mm = (d.tip - planned.tip).norm();
    d.axis_off_rad = std::acos(std::clamp(device->direction.dot(planned.direction), -1.0, 1.0));
    if (d.gap_mm > 0)
      d.warnings.push_back(Message("outcome.looks_broken_without_metal_entry",
                                   {{"gap", mm(d.gap_mm, 0)}, {"gap_at", mm(d.gap_at_mm, 0)}}));
    else if (std::abs(d.longer_mm) > kDeviceLongerMm)
      d.warnings.push_back(Message("outcome.looks_planned", {{"by", mm(std::abs(d.longer_mm), 0)},
                                                             {"way", d.longer_mm > 0 ? "longer" : "shorter"}}));
    if (d.tip_off_mm > kDeviceOffMm || d.entry_off_mm > kDeviceOffMm || toDegrees(d.axis_off_rad) > kDeviceTurnDeg)
      d.warnings.push_back(Message("outcome.lies_otherwise_planned_entry_tip_axis",
                                   {{"entry_off", mm(d.entry_off_mm)},
                                    {"tip_off", mm(d.tip_off_mm)},
                                    {"axis_off", number(toDegrees(d.axis_off_rad), 0)}}));
    const Result<DeviceChecks> checks =
        checker ? checker->check(*device, as_found) : Result<DeviceChecks>(tl::unexpected(checker.error()));
    if (!checks) {
      d.warnings.push_back(Message("outcome.could_not_checked_against_bones", {{"what", checks.error().what}}));
      continue;
    }
    d.checks = *checks;
    if (!checks->other_bones.empty()) {
      std::string bones;
      for (const std::string& b : checks->other_bones) bones += (bones.empty() ? "" : ", ") + b;
      d.warnings.push_back(Message("outcome.enters_bone_not_planned", {{"bones", bones}}));
    }
    if (checks->inside_fraction < 0.98)
      d.warnings.push_back(
          Message("outcome.lies_inside_bones_planned", {{"inside_fraction", percent(100 * checks->inside_fraction)}}));
    if (traits(device->kind).threaded && checks->tip_beyond_cortex_mm > kDeviceOffMm)
      d.warnings.push_back(
          Message("outcome.stands_beyond_far_cortex", {{"tip_beyond_cortex", mm(checks->tip_beyond_cortex_mm)}}));
  }
  return {};
}

}  // namespace rayset
