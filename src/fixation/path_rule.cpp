#include "fixation/path_rule.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <numbers>

#include "anatomy/frames.h"
#include "base/units.h"
#include "fixation/check_words.h"
#include "fixation/device_body.h"

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

// From a ray's metatarsal across its joint.
void RuleBook::across(Rule& rule, Ray ray, const Space& space) const {
  through(rule, bonesOfRay(ray));
  rule.ray = rayAnatomy(*foot_.bone(metatarsal(ray)), space.first_face, input_.frame);
}

// Along the long axis of the medial cuneiform: from its distal to its proximal face.
Vec3 RuleBook::alongCuneiform(const Space& space) const {
  if (const auto navicular = foot_.mainPart(Bone::kNav)) {
    const Face proximal = path::facingFace(space.last, *navicular, 4);
    if (!proximal.empty()) return (proximal.centre - space.last_face.centre).normalized();
  }
  return -input_.frame.distal;
}

Rule RuleBook::screw(Ray ray, std::shared_ptr<const Space> space) const {
  Rule rule = withImplant(kScrew, fmt::format("S{}", ray), DeviceStage::kDefinitive, ray);
  rule.what = Message("fixation.screw_ray", {{"ray", nameOf(ray)}});
  rule.wanted_in_last = kLeastThreadMm + 1;  // rounding down to a stocked length costs a millimetre on average
  across(rule, ray, *space);
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
    rule.along = alongCuneiform(*space);
    rule.along_weight = 0.25;
  } else if (ray == 4) {
    rule.along = -rule.ray.distal;
    rule.along_weight = 0.25;
  } else if (ray == 5) {
    // The fifth base is broad and its joint faces obliquely backwards: the approach is from its lateral side.
    rule.sector_centre = toRadians(-50);
    rule.sector_half = toRadians(55);
    rule.good_from = settings_.joint_bridge_mm;
    rule.good_to = 16;
    rule.shaft_angle = toRadians(45);  // about 45 degrees to its shaft (common practice, no source)
  }
  rule.space = std::move(space);
  return rule;
}

Rule RuleBook::wire(Ray ray, std::shared_ptr<const Space> space, bool definitive) const {
  Rule rule = withImplant(definitive ? kLateralWire : kHoldingWire, fmt::format("W{}", ray),
                          definitive ? DeviceStage::kDefinitive : DeviceStage::kTemporary, ray);
  rule.what = Message("fixation.wire_ray", {{"ray", nameOf(ray)}});
  across(rule, ray, *space);
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
    if (traits(device.kind).threaded) return screw(device.ray, std::move(space));
    return wire(device.ray, std::move(space), device.stage == DeviceStage::kDefinitive);
  };
  Rule rule = planned();
  // An implant other than the planned one, chosen by hand.
  const ImplantType* type = catalogue_.find(device.type);
  if (type != nullptr && type->kind == rule.device.kind && type->id != rule.device.type) takeImplant(rule, *type);
  return rule;
}

}  // namespace rayset::fixation
