#include "sample_case.h"

#include <fmt/format.h>

#include <cmath>

#include "base/units.h"

namespace rayset::sample {
namespace {

// A bar with a rounded, thicker head: long axis from `base` to `head`.
Surface bar(const Vec3& base, const Vec3& head, double radius) {
  const Surface shaft = makeCylinder(base, head, radius, 24);
  return shaft;
}

}  // namespace

BoneSurfaces blockFoot() {
  BoneSurfaces bones;
  const auto box = [&](Bone bone, const Vec3& low, const Vec3& high) { bones[bone] = makeBox(Box(low, high)); };
  // x medial, -y distal, z dorsal. Bases of the metatarsals near y = 0 (the second recessed), tarsus behind (+y).
  const double x[5] = {22, 8, -4, -16, -28}, back[5] = {0, 8, 0, 2, 4}, length[5] = {60, 74, 68, 66, 64};
  for (const Ray ray : kRays) {
    const std::size_t k = ray.index();
    bones[metatarsal(ray)] = bar({x[k], back[k], 20 - 2.0 * ray.number()},
                                 {x[k] * 1.15, back[k] - length[k], 8 - 1.0 * ray.number()}, ray == 1 ? 8 : 5.5);
  }
  box(Bone::kC1, {14, 2, 6}, {30, 26, 28});
  box(Bone::kC2, {2, 10, 8}, {13, 26, 26});
  box(Bone::kC3, {-10, 2, 4}, {1, 26, 24});
  box(Bone::kCub, {-34, 4, -2}, {-11, 36, 20});
  box(Bone::kNav, {-8, 28, 6}, {30, 40, 30});
  box(Bone::kTal, {-4, 42, 10}, {26, 85, 50});
  box(Bone::kCal, {-30, 40, -25}, {2, 115, 9});
  return bones;
}

PerRay<RayDisplacement> homolateral() {
  PerRay<RayDisplacement> rays;
  const double lateral[5] = {4.8, 6.1, 5.7, 5.2, 4.4}, dorsal[5] = {2.6, 3.9, 3.1, 1.2, -0.6},
               distal[5] = {0.7, 0.4, -0.8, 0.2, 1.1}, abduction[5] = {7.2, 9.8, 8.6, 8.1, 6.4},
               flexion[5] = {-1.2, 2.7, 2.2, 0.4, -3.3}, pronation[5] = {4.4, 0.3, -2.1, 1.6, 0.2};
  for (const Ray ray : kRays) {
    const std::size_t k = ray.index();
    rays[ray] = {ray,
                 lateral[k],
                 dorsal[k],
                 distal[k],
                 toRadians(abduction[k]),
                 toRadians(flexion[k]),
                 toRadians(pronation[k]),
                 std::hypot(lateral[k], dorsal[k]) >= kDisplacedFromMm};
  }
  return rays;
}

PerRay<RayDisplacement> inPlace() {
  PerRay<RayDisplacement> rays;
  for (const Ray ray : kRays) rays[ray] = {ray, 0.3, -0.2, 0.1, 0.004, -0.003, 0.002, false};
  return rays;
}

Case makeCase(const BoneSurfaces& intact, Side side, const PerRay<RayDisplacement>& rays, bool other_foot) {
  Case c;
  c.side = side;
  c.scan.patient_name = "Invented^Patient";
  c.scan.patient_id = "RS-0001";
  c.scan.patient_sex = "F";
  c.scan.patient_birth_date = "19870314";
  c.scan.study_date = "20261120";
  c.scan.study_description = "CT foot";
  c.scan.series_description = "Bone 0.5";
  c.scan.series_number = "3";
  c.scan.files = 380;
  c.other_foot = other_foot ? "same scan" : "";
  c.grid.size = {300, 300, 380};
  c.grid.spacing = {0.45, 0.45, 0.5};

  c.reduction.reduced = intact;
  c.reduction.frame = footFrame(intact, side);
  c.reduction.method = other_foot ? ReductionMethod::kContralateral : ReductionMethod::kCongruence;
  c.reduction.mirror_residual_mm = other_foot ? 0.42 : 0;
  c.injured = intact;
  c.rays = rays;
  for (const auto& [ray, d] : rays) {
    if (!intact.contains(metatarsal(ray))) continue;
    const Surface& m = intact.at(metatarsal(ray));
    const MetatarsalAxis axis = metatarsalAxis(m, c.reduction.frame.distal);
    const Rigid reduced_to_injured = displacementTransform(d, axis.base_point, c.reduction.frame);
    c.injured[metatarsal(ray)] = transformed(m, reduced_to_injured);
    RayReduction& r = c.reduction.rays[ray];
    r.ray = ray;
    r.injured_to_reduced = reduced_to_injured.inverse();
    r.uncertainty_mm = 0.4 + 0.1 * ray.number();
    r.uncertainty_rad = toRadians(0.7 + 0.2 * ray.number());
    r.roll_rad = toRadians(0.5 + 0.1 * ray.number());
    r.joint = {1.2 + 0.1 * ray.number(), 0.2, 0.0, 190.0 - 20 * ray.number()};
    if (d.displaced)
      for (const std::string& act :
           {fmt::format("traction of {:.1f} mm along the ray", std::abs(d.distal_mm) + 1),
            fmt::format("push the base {:.1f} mm medially and turn the head {:.0f}° inward (adduction)", d.lateral_mm,
                        toDegrees(d.abduction_rad)),
            fmt::format("press the base {:.1f} mm plantarwards", d.dorsal_mm)})
        r.manoeuvre.push_back(Message::quoted(act));
  }
  for (const auto& [bone, surface] : c.injured) {
    SegmentedBone b;
    b.surface = surface;
    b.volume_mm3 = volume(surface);
    b.confidence = bone == Bone::kC2 ? 0.74 : 0.95;
    if (bone == Bone::kC2) {
      b.doubts = {Doubt::kTouching};
      b.doubt = "touches M2 over 12 mm²";
    }
    if (bone == Bone::kCal) b.complete = false;
    c.bones[bone] = b;
  }

  const auto measure = [&](const char* key, const char* name, double value, const char* unit,
                           std::optional<double> limit, bool on_difference, double other, double after,
                           const char* source, const char* certainty, const char* note) {
    Measure m;
    m.key = key;
    m.name = name;
    m.value = value;
    m.unit = unit;
    m.limit = limit;
    m.limit_on_difference = on_difference;
    if (other_foot) {
      m.other_side = other;
      m.difference = value - other;
    }
    if (limit && (!on_difference || other_foot)) m.abnormal = (on_difference ? value - other : value) > *limit;
    m.source = source;
    m.certainty = certainty;
    m.note = note;
    c.measures.push_back(m);
    m.value = after;
    c.measures_reduced.push_back(m);
  };
  measure("c1_m2_distance", "C1–M2 distance", 7.93, "mm", 3.0, true, 3.61, 3.74,
          "PMID 41170783 (weight-bearing CT, side difference)", "found in a passage of the source",
          "Medial cuneiform to base of M2, 10 mm below the dorsal surface of C1. Not loaded here.");
  measure("m1_m2_distance", "M1–M2 base distance", 3.12, "mm", 4.1, false, 2.71, 2.66,
          "Falcon et al., FAO 2022, doi 10.1177/2473011421S00193", "computed from the source: mean + 2 SD",
          "Between the bases at the same level.");
  measure("m2_c2_step", "Dorsal step M2 on C2", 3.94, "mm", 1.0, false, 0.12, 0.24, "design choice; no published limit",
          "our choice", "Positive where the metatarsal stands dorsal to its tarsal bone.");
  measure("m2_c2_angle", "Abduction of M2 against C2", 13.4, "deg", std::nullopt, false, 3.5, 3.7, "", "",
          "Long axes in the plane of the sole.");

  c.patterns.quenu_kuss = {"homolateral", "all five rays are displaced laterally"};
  c.patterns.hardcastle = {"A", "all five rays are displaced the same way (laterally)"};
  c.patterns.myerson = {"A", "total incongruity: M1 to M5 are displaced the same way"};
  c.patterns.columns = {"medial", "middle", "lateral"};
  if (std::none_of(rays.begin(), rays.end(), [](const auto& ray) { return ray.second.displaced; })) {
    c.patterns.quenu_kuss = c.patterns.hardcastle = c.patterns.myerson = {"none", "no ray is displaced"};
    c.patterns.columns.clear();
  }

  ImplantType screw;
  screw.id = "cortex-3.5", screw.kind = DeviceKind::kScrew, screw.name = "3.5 mm cortex screw", screw.diameter_mm = 3.5,
  screw.core_mm = 2.4, screw.drill_mm = 2.5;
  screw.tap_mm = 3.5, screw.pitch_mm = 1.25, screw.head_diameter_mm = 6, screw.head_height_mm = 2.6,
  screw.lengths_mm = {30, 32, 34, 36, 38, 40, 45, 50};
  screw.source = "core and drill: Wheeless, “Cortex screw 3.5 mm”";
  ImplantType wire;
  wire.id = "wire-1.6-threaded", wire.kind = DeviceKind::kWire, wire.name = "1.6 mm wire with threaded tip",
  wire.diameter_mm = 1.6, wire.lengths_mm = {150};
  wire.source = "small-fragment sets (from memory)";
  c.catalogue.types = {screw, wire};

  const double lengths[5] = {45, 36, 34, 40, 38};
  for (const Ray ray : kRays) {
    const Bone m = metatarsal(ray), t = tarsalPartner(ray);
    if (!intact.contains(m) || !intact.contains(t)) continue;
    const MetatarsalAxis axis = metatarsalAxis(intact.at(m), c.reduction.frame.distal);
    for (const bool definitive : {true, false}) {
      Device d;
      d.id = fmt::format("{}{}", definitive ? 'S' : 'W', ray);
      d.type = definitive ? screw.id : wire.id;
      d.kind = definitive ? DeviceKind::kScrew : DeviceKind::kWire;
      d.stage = definitive ? DeviceStage::kDefinitive : DeviceStage::kTemporary;
      d.ray = ray;
      d.through = {std::string(boneId(m)), std::string(boneId(t))};
      d.entry = axis.base_centre + (definitive ? 16.0 : 9.0) * axis.distal + 6 * c.reduction.frame.dorsal +
                (definitive ? 1.5 : -3.5) * c.reduction.frame.medial;
      const Vec3 target = axis.base_centre - 14 * axis.distal - 3 * c.reduction.frame.dorsal;
      d.direction = (target - d.entry).normalized();
      d.diameter_mm = definitive ? 3.5 : 1.6;
      d.length_mm = definitive ? lengths[ray.index()] : 28;
      d.tip = d.entry + d.length_mm * d.direction;
      d.measured_depth_mm = d.length_mm + 1.3;
      d.countersink_mm = definitive ? 2.6 : 0;
      d.checks.inside_fraction = 1;
      d.checks.cortex_margin_mm = 0.9 + 0.1 * ray.number();
      d.checks.nearest_device_mm = 2.1 + 0.2 * ray.number();
      d.checks.joint_area_lost_percent = definitive ? 3.0 + 0.3 * ray.number() : 0.8;
      d.checks.crossing_off_centre_mm = 1.4;
      d.checks.entry_to_joint_mm = definitive ? 16 : 9;
      d.checks.angle_to_shaft_rad = std::acos(std::abs(d.direction.dot(axis.distal)));
      d.checks.angle_to_surface_rad = d.checks.angle_to_shaft_rad;
      d.checks.mean_hu = 512;
      d.checks.pullout_n = definitive ? 640 : 0;
      if (ray == 4 && definitive) d.warnings = {"cortex margin is thin on the plantar side"};
      c.fixation.devices.push_back(d);
    }
  }
  c.cautions = {"The series “Bone 0.5” was chosen from 3 usable ones: it has the thinnest slices."};
  return c;
}

}  // namespace rayset::sample
