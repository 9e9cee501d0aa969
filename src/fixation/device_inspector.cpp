#include "fixation/device_inspector.h"

#include <algorithm>
#include <cmath>
#include <numbers>

#include "fixation/device_body.h"
#include "fixation/purchase.h"

namespace rayset::fixation {
namespace {

using path::Face;
using path::Reading;
using path::Space;

constexpr double kStepMm = 0.1;

// Points around a device's axis, every 30 degrees.
struct Round {
  Vec3 u, v;
  explicit Round(const Vec3& axis) : u(axis.unitOrthogonal()), v(axis.cross(u)) {}
  static constexpr int kPoints = 12;
  [[nodiscard]] Vec3 at(int k, double radius) const {
    const double angle = std::numbers::pi / 6 * k;
    return radius * (std::cos(angle) * u + std::sin(angle) * v);
  }
};

double angleBetween(double cosine) { return std::acos(std::clamp(cosine, -1.0, 1.0)); }

// How deep the entry zone is: under flat cortex the side reaches the wanted margin there.
double endOfEntry(const Device& device, const Rule& rule, const Reading& r) {
  return path::entryZone(device.diameter_mm / 2, rule.tool.wanted_margin, r.surface_angle);
}

void checkCortex(DeviceChecks& checks, const Device& device, const Rule& rule, const Reading& r) {
  const Space& space = *rule.space;
  const double radius = device.diameter_mm / 2, zone = endOfEntry(device, rule, r);
  const int steps = std::max(1, static_cast<int>(std::ceil((device.length_mm - zone) / kStepMm)));
  int inside = 0;
  for (int i = 0; i <= steps; ++i) {
    const double t = zone + (device.length_mm - zone) * i / steps;
    inside += path::discRoom(space, device.entry, device.direction, radius, 0, t) >= 0 ? 1 : 0;
  }
  checks.inside_fraction = static_cast<double>(inside) / (steps + 1);
  const double ramp = path::entryZone(radius, rule.tool.wanted_margin + path::kRampMm, r.surface_angle);
  checks.cortex_margin_mm = path::marginOver(space, device.entry, device.direction, radius, ramp,
                                             std::max(ramp, device.length_mm - device.diameter_mm), kStepMm);
}

void checkCrossing(DeviceChecks& checks, const Device& device, const Rule& rule, const Reading& r) {
  const Space& space = *rule.space;
  if (r.crosses) {
    checks.crossing_off_centre_mm = (r.crossing - space.face_centre).norm();
    checks.length_in_first_mm = std::min(r.leave, device.length_mm);
    checks.length_in_last_mm = std::max(0.0, device.length_mm - r.enter);
  }
  checks.crossing_angle_rad = angleBetween(device.direction.dot(space.face_normal));
  checks.angle_to_shaft_rad = angleBetween(std::abs(device.direction.dot(rule.ray.distal)));
  if (rule.fragment) return;
  checks.entry_to_joint_mm = rule.ray.fromJoint(device.entry);
  const double radius = device.diameter_mm / 2;
  for (const Face* face : {&space.first_face, &space.last_face}) {
    const double cosine = std::max(0.1, std::abs(device.direction.dot(face->normal)));
    checks.joint_area_lost_percent =
        std::max(checks.joint_area_lost_percent, 100 * std::numbers::pi * radius * radius / cosine / face->area_mm2);
  }
}

// The axis beyond the bones, on the meshes themselves: from the last exit to the tip, if the tip is in neither.
double tipBeyondCortex(const Device& device, const Space& space) {
  double out_at = 0;
  for (const RayCaster* mesh : {space.first_mesh.get(), space.last_mesh.get()}) {
    if (mesh->inside(device.tip)) return 0;
    for (const auto& hit : mesh->all(device.entry, device.direction, device.length_mm))
      if (!hit.entering) out_at = std::max(out_at, hit.distance);
  }
  return device.length_mm - out_at;
}

}  // namespace

DeviceChecks DeviceInspector::checks(const Device& device, const std::vector<Device>& all, const Rule& rule) const {
  DeviceChecks checks;
  const Reading r = path::read(*rule.space, device.entry, device.direction, rule.tool, kStepMm);
  checks.angle_to_surface_rad = r.surface_angle;
  checkCortex(checks, device, rule, r);
  for (const Device& other : all)
    if (other.id != device.id)
      checks.nearest_device_mm =
          std::min(checks.nearest_device_mm, bodyGap(bodyOf(device, catalogue_), bodyOf(other, catalogue_)));
  checkCrossing(checks, device, rule, r);
  checks.tip_beyond_cortex_mm = tipBeyondCortex(device, *rule.space);
  for (const auto& [b, surface] : *input_.reduced)
    if (enters(device, b))
      checks.other_bones.emplace_back(boneId(b));
    else if (mayEnter(device, b))
      checks.may_enter.emplace_back(boneId(b));
  checks.surface_error_mm = foot_.surfaceError(device.through);
  const double zone = endOfEntry(device, rule, r);
  checks.mean_hu = meanHu(device, rule, zone);
  if (input_.ct != nullptr && traits(device.kind).threaded)
    checkPurchase(checks, device, rule, r.crosses ? r.enter : zone);
  return checks;
}

// On the thread's cylinder, from `from` mm along the axis to the tip.
double DeviceInspector::meanHu(const Device& device, const Rule& rule, double from_mm) const {
  if (input_.ct == nullptr) return 0;
  const auto scanned = [&](const std::string& id, const Vec3& p) {
    const auto b = boneFromId(parentId(id));
    const auto it = b ? input_.injured_to_reduced.find(*b) : input_.injured_to_reduced.end();
    return it == input_.injured_to_reduced.end() ? p : Vec3(it->second.inverse() * p);
  };
  const Round round(device.direction);
  double sum = 0;
  std::size_t count = 0;
  for (double t = from_mm; t <= device.length_mm; t += 0.5) {
    for (int k = 0; k < Round::kPoints; ++k) {
      const Vec3 p = device.entry + t * device.direction + round.at(k, device.diameter_mm / 2);
      const bool in_first = rule.space->first.distance(p) < 0, in_last = rule.space->last.distance(p) < 0;
      if (!in_first && !in_last) continue;  // the joint gap gives no hold
      sum += sampleLinear(*input_.ct, scanned(in_first ? device.through.front() : device.through.back(), p), 0.0);
      ++count;
    }
  }
  return count > 0 ? sum / static_cast<double>(count) : 0;
}

// The head bears against the metatarsal: only the thread in the tarsal bone can pull out.
void DeviceInspector::checkPurchase(DeviceChecks& checks, const Device& device, const Rule& rule,
                                    double thread_from_mm) const {
  const ImplantType& type = *catalogue_.find(device.type);
  const ShearStrength strength = shearStrengthFromHu(meanHu(device, rule, thread_from_mm));
  const double shape = threadShapeFactor(type.diameter_mm, type.core_mm, type.pitch_mm);
  const auto force = [&](double mpa) { return chapmanPullout(mpa, type.diameter_mm, checks.length_in_last_mm, shape); };
  checks.pullout_n = force(strength.typical_mpa);
  checks.pullout_low_n = force(strength.low_mpa);
  checks.pullout_high_n = force(strength.high_mpa);
}

// The mesh of a bone that the device is not planned through, if it may come within `beyond_mm` of the device's side.
const RayCaster* DeviceInspector::nearOther(const Device& device, Bone b, double beyond_mm) const {
  const Surface* surface = foot_.bone(b);
  const std::string id(boneId(b));
  if (surface == nullptr || std::any_of(device.through.begin(), device.through.end(),
                                        [&](const std::string& own) { return own == id || parentId(own) == id; }))
    return nullptr;
  auto known = others_.find(b);
  if (known == others_.end()) known = others_.emplace(b, OtherBone{bounds(*surface), RayCaster({surface})}).first;
  const double radius = device.diameter_mm / 2 + beyond_mm;
  return known->second.box.intersects(Box(Vec3(device.entry.cwiseMin(device.tip).array() - radius),
                                          Vec3(device.entry.cwiseMax(device.tip).array() + radius)))
             ? &known->second.caster
             : nullptr;
}

// Nearest distances along the axis, up to the start of the tip's taper.
bool DeviceInspector::mayEnter(const Device& device, Bone b) const {
  const double error = foot_.surfaceError(std::string(boneId(b)));
  if (error <= 0) return false;
  const RayCaster* caster = nearOther(device, b, error);
  if (caster == nullptr) return false;
  const double within = device.diameter_mm / 2 + error, to = std::max(0.0, device.length_mm - device.diameter_mm / 2);
  const int steps = std::max(1, static_cast<int>(std::ceil(to)));
  for (int i = 0; i <= steps; ++i)
    if (caster->nearest(device.entry + to * i / steps * device.direction, within)) return true;
  return false;
}

// Rays along the side, and along the axis.
bool DeviceInspector::enters(const Device& device, Bone b) const {
  const RayCaster* mesh = nearOther(device, b, 0);
  if (mesh == nullptr) return false;
  const auto meets = [&](const Vec3& from_axis) {
    return mesh->first(device.entry + from_axis, device.direction, 0, device.length_mm).has_value();
  };
  if (mesh->inside(device.tip)) return true;
  const Round round(device.direction);
  for (int k = 0; k < Round::kPoints; ++k)
    if (meets(round.at(k, device.diameter_mm / 2))) return true;
  return meets(Vec3::Zero());
}

}  // namespace rayset::fixation
