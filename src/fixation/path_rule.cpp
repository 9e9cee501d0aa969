#include "fixation/path_rule.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <numbers>

#include "anatomy/frames.h"
#include "base/units.h"
#include "fixation/check_words.h"
#include "fixation/device_body.h"
#include "fixation/device_model.h"

namespace rayset::fixation {

using path::Face;
using path::Space;

const std::string kScrew = "cortex-3.5", kHoldingWire = "wire-1.6-threaded", kLateralWire = "wire-1.6-smooth",
                  kFragmentWire = "wire-1.0-smooth";

namespace {

constexpr double kDrillBeyondMm = 2;  // a hole may measure this much deeper than the longest screw

// The coordinate of a joint's rim along the shaft in each direction around it: the outermost tenth of the face on that
// side.
void findRim(RayAnatomy& a, const Face& face) {
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
}

RayAnatomy rayAnatomy(const Surface& metatarsal, const Face& face, const Frame& frame) {
  RayAnatomy a;
  a.distal = metatarsalAxis(metatarsal, frame.distal).distal;
  a.dorsal = (frame.dorsal - frame.dorsal.dot(a.distal) * a.distal).normalized();
  a.medial = a.distal.cross(a.dorsal);
  if (a.medial.dot(frame.medial) < 0) a.medial = -a.medial;
  a.on_axis = face.centre;
  findRim(a, face);
  return a;
}

void takeImplant(Rule& rule, const ImplantType& type) {
  rule.device.type = type.id;
  rule.device.diameter_mm = type.diameter_mm;
  rule.tool.radius = type.diameter_mm / 2;
  if (!traits(type.kind).headed) return;
  rule.head_radius = type.head_diameter_mm / 2;
  rule.lengths = type.lengths_mm;
  rule.tool.longest = type.lengths_mm.back() + kDrillBeyondMm;
}

}  // namespace

double RayAnatomy::angleOf(const Vec3& v) const { return std::atan2(v.dot(medial), v.dot(dorsal)); }

double RayAnatomy::fromJoint(const Vec3& p) const {
  const double turn = angleOf(p - on_axis) / (2 * std::numbers::pi) * static_cast<double>(rim.size());
  const double wrapped = turn < 0 ? turn + static_cast<double>(rim.size()) : turn;
  const auto i = static_cast<std::size_t>(wrapped) % rim.size();
  const double f = wrapped - std::floor(wrapped);
  return p.dot(distal) - ((1 - f) * rim[i] + f * rim[(i + 1) % rim.size()]);
}

double Rule::turnFromSector(const Vec3& normal) const {
  return std::abs(std::remainder(ray.angleOf(normal) - sector_centre, 2 * std::numbers::pi));
}

Rule RuleBook::withImplant(const std::string& type_id, std::string id, DeviceStage stage, Ray ray) const {
  const ImplantType& type = *catalogue_.find(type_id);
  Rule rule;
  rule.device.id = std::move(id);
  rule.device.kind = type.kind;
  rule.device.stage = stage;
  rule.device.ray = ray;
  takeImplant(rule, type);
  rule.tool.wanted_margin = settings_.cortex_margin_mm;
  rule.tool.end_clearance = settings_.end_clearance_mm;
  rule.tool.corridor = traits(type.kind).driver_mm;
  return rule;
}

// The bones passed through, with room for the error of their surfaces.
void RuleBook::through(Rule& rule, std::vector<std::string> bones) const {
  rule.surface_error = foot_.surfaceError(bones);
  rule.tool.end_clearance += foot_.surfaceError(bones.back());
  rule.device.through = std::move(bones);
}

void RuleBook::across(Rule& rule, Ray ray, const Space& space) const {
  through(rule, bonesOfRay(ray));
  rule.ray = rayAnatomy(*foot_.bone(metatarsal(ray)), space.first_face, input_.frame);
}

Vec3 RuleBook::alongCuneiform(const Space& space) const {
  if (const auto navicular = foot_.mainPart(Bone::kNav)) {
    const Face proximal = path::facingFace(space.last, *navicular, 4);
    if (!proximal.empty()) return (proximal.centre - space.last_face.centre).normalized();
  }
  return -input_.frame.distal;
}

Rule RuleBook::fragmentWire(const std::string& fragment, char letter, bool into,
                            std::shared_ptr<const Space> space) const {
  const std::string parent = parentId(fragment);
  const auto b = boneFromId(parent);
  // Definitive: nothing else holds the fragment once the temporary wires are out.
  Rule rule = withImplant(kFragmentWire, fmt::format("F{}{}", fragment, letter), DeviceStage::kDefinitive, rayWith(*b));
  rule.what = Message("fixation.wire_fragment", {{"fragment", fragment}});
  rule.fragment = true;
  through(rule, into ? std::vector<std::string>{parent, fragment} : std::vector<std::string>{fragment, parent});
  rule.up = input_.frame.dorsal;
  rule.ray.distal = rayOf(*b) ? metatarsalAxis(*foot_.bone(*b), input_.frame.distal).distal : input_.frame.distal;
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

Rule RuleBook::of(const Device& device, std::shared_ptr<const Space> space) const {
  const auto planned = [&] {
    if (const auto fragment = fragmentOf(device))
      return fragmentWire(*fragment, 'a', *fragment == device.through.back(), std::move(space));
    return modelOf(device.kind).rule(*this, device.ray, device.stage, std::move(space));
  };
  Rule rule = planned();
  // An implant other than the planned one, chosen by hand.
  const ImplantType* type = catalogue_.find(device.type);
  if (type != nullptr && type->kind == rule.device.kind && type->id != rule.device.type) takeImplant(rule, *type);
  return rule;
}

}  // namespace rayset::fixation
