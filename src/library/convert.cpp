#include "library/convert.h"

#include "base/units.h"

namespace rayset::library {
namespace {

api::Fault faultOf(Fault fault) {
  switch (fault) {
    case Fault::kRequest:
      return api::Fault::kRequest;
    case Fault::kImages:
      return api::Fault::kImages;
    case Fault::kCancelled:
      return api::Fault::kCancelled;
    case Fault::kInternal:
      break;
  }
  return api::Fault::kInternal;
}

}  // namespace

api::Error shown(const Error& error, const Words& words) {
  return {faultOf(error.fault), words(error.what), error.where, words(error.remedy)};
}

Progress taken(const api::Progress& progress) { return {progress.report, progress.stop}; }

api::Point shown(const Vec3& p) { return {p.x(), p.y(), p.z()}; }

api::Matrix shown(const Rigid& X) {
  api::Matrix m{};
  for (int row = 0; row < 4; ++row)
    for (int column = 0; column < 4; ++column) m[static_cast<std::size_t>(4 * row + column)] = X(row, column);
  return m;
}

api::Mesh shown(const Surface& surface) {
  api::Mesh mesh;
  mesh.vertices.reserve(surface.vertices.size());
  for (const Vec3& v : surface.vertices) mesh.vertices.push_back(shown(v));
  mesh.triangles = surface.triangles;
  return mesh;
}

api::Displacement shown(const RayDisplacement& d) {
  return {.lateral_mm = d.lateral_mm,
          .dorsal_mm = d.dorsal_mm,
          .distal_mm = d.distal_mm,
          .abduction_deg = toDegrees(d.abduction_rad),
          .plantarflexion_deg = toDegrees(d.plantarflexion_rad),
          .pronation_deg = toDegrees(d.pronation_rad)};
}

namespace {
std::optional<api::Point> pointOrNone(const std::optional<Vec3>& p) {
  return p ? std::optional(shown(*p)) : std::nullopt;
}
}  // namespace

std::vector<api::Measure> shown(const std::vector<Measure>& measures, const Words& words) {
  std::vector<api::Measure> out;
  out.reserve(measures.size());
  for (const Measure& m : measures)
    out.push_back({.key = m.key,
                   .name = words(m.name),
                   .value = m.value,
                   .unit = m.unit,
                   .limit = m.limit,
                   .limit_on_difference = m.limit_on_difference,
                   .limit_is_lower = m.limit_is_lower,
                   .other_side = m.other_side,
                   .difference = m.difference,
                   .abnormal = m.abnormal,
                   .source = m.source,
                   .note = words(m.note),
                   .from = pointOrNone(m.from),
                   .to = pointOrNone(m.to)});
  return out;
}

api::DeviceChecks shown(const DeviceChecks& c, const Words& words) {
  return {.inside_fraction = c.inside_fraction,
          .cortex_margin_mm = c.cortex_margin_mm,
          .nearest_device_mm = c.nearest_device_mm,
          .joint_area_lost_percent = c.joint_area_lost_percent,
          .tip_beyond_cortex_mm = c.tip_beyond_cortex_mm,
          .crossing_off_centre_mm = c.crossing_off_centre_mm,
          .entry_to_joint_mm = c.entry_to_joint_mm,
          .angle_to_shaft_deg = toDegrees(c.angle_to_shaft_rad),
          .angle_to_surface_deg = toDegrees(c.angle_to_surface_rad),
          .crossing_angle_deg = toDegrees(c.crossing_angle_rad),
          .length_in_first_mm = c.length_in_first_mm,
          .length_in_last_mm = c.length_in_last_mm,
          .mean_hu = c.mean_hu,
          .pullout_n = c.pullout_n,
          .pullout_low_n = c.pullout_low_n,
          .pullout_high_n = c.pullout_high_n,
          .surface_error_mm = c.surface_error_mm,
          .other_bones = c.other_bones,
          .may_enter = c.may_enter,
          .failure = words(c.failure)};
}

std::vector<api::Device> shown(const std::vector<Device>& devices, const Words& words) {
  std::vector<api::Device> out;
  out.reserve(devices.size());
  for (const Device& d : devices)
    out.push_back({.id = d.id,
                   .type = d.type,
                   .kind = std::string(traits(d.kind).word),
                   .temporary = d.stage == DeviceStage::kTemporary,
                   .ray = d.ray.number(),
                   .through = d.through,
                   .entry = shown(d.entry),
                   .tip = shown(d.tip),
                   .direction = shown(d.direction),
                   .diameter_mm = d.diameter_mm,
                   .length_mm = d.length_mm,
                   .measured_depth_mm = d.measured_depth_mm,
                   .countersink_mm = d.countersink_mm,
                   .checks = shown(d.checks, words),
                   .warnings = words.texts(d.warnings)});
  return out;
}

}  // namespace rayset::library
