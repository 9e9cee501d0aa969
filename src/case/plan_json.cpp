// plan.json of the contract. Degrees and millimetres here, radians everywhere else.
#include "anatomy/frames.h"
#include "base/units.h"
#include "case/case.h"
#include "case/plan_record.h"
#include "geometry/json.h"

namespace rayset {
namespace {

using Json = nlohmann::ordered_json;

Json json(const std::optional<double>& value, int digits) {
  return value ? Json(rounded(*value, digits)) : Json(nullptr);
}

Json evidenceJson(const BoneEvidence& e) {
  Json j = Json::object();
  for (const EvidenceField& f : kEvidenceFields) j[f.key] = rounded(e.*f.value, f.digits);
  return j;
}

Json boneJson(const std::string& id, std::uint8_t label, const SegmentedBone& b) {
  Json words = Json::array();
  for (const Doubt d : b.doubts) words.push_back(doubtWord(d));
  return {{"id", id},
          {"label", label},
          {"surface", "surfaces/" + id + ".stl"},
          {"reduced_surface", "reduced/" + id + ".stl"},
          {"volume_mm3", rounded(b.volume_mm3, 1)},
          {"complete", b.complete},
          {"confidence", rounded(b.confidence, 3)},
          {"doubts", words},
          {"doubt", b.doubt},
          {"by_hand", b.by_hand},
          {"mean_hu", rounded(b.mean_hu, 0)},
          {"evidence", evidenceJson(b.evidence)}};
}

Json imagesJson(const ScanInfo& scan, const Grid& grid) {
  Json j = {{"patient_id", scan.patient_id},
            {"patient_name", scan.patient_name},
            {"patient_sex", scan.patient_sex},
            {"patient_birth_date", scan.patient_birth_date},
            {"study_uid", scan.study_uid},
            {"study_date", scan.study_date},
            {"study_description", scan.study_description},
            {"accession", scan.accession},
            {"series_uid", scan.series_uid},
            {"series_description", scan.series_description},
            {"series_number", scan.series_number},
            {"frame_of_reference_uid", scan.frame_of_reference_uid},
            {"manufacturer", scan.manufacturer},
            {"model", scan.model},
            {"kernel", scan.kernel},
            {"body_part", scan.body_part},
            {"laterality", scan.laterality},
            {"patient_position", scan.patient_position},
            {"kvp", scan.kvp},
            {"files", scan.files},
            {"size", {grid.size.x(), grid.size.y(), grid.size.z()}},
            {"spacing_mm", pointJson(grid.spacing, 6)},
            {"origin", pointJson(grid.origin, 6)}};
  j["directions"] = Json::array();
  for (int axis = 0; axis < 3; ++axis) j["directions"].push_back(pointJson(grid.direction.col(axis), 9));
  return j;
}

}  // namespace

nlohmann::ordered_json measuresJson(const std::vector<Measure>& measures) {
  Json list = Json::array();
  for (const Measure& m : measures) {
    Json j;
    j["key"] = m.key;
    j["name"] = m.name;
    j["value"] = rounded(m.value, 2);
    j["unit"] = m.unit;
    j["limit"] = json(m.limit, 3);
    j["limit_on"] = m.limit_on_difference ? "side difference" : "value";
    j["limit_is"] = m.limit_is_lower ? "lower" : "upper";
    j["other_side"] = json(m.other_side, 2);
    j["difference"] = json(m.difference, 2);
    j["abnormal"] = m.abnormal ? Json(*m.abnormal) : Json(nullptr);
    j["source"] = m.source;
    j["certainty"] = m.certainty;
    j["note"] = m.note;
    if (m.from && m.to) {
      j["from"] = pointJson(*m.from, 3);
      j["to"] = pointJson(*m.to, 3);
    }
    list.push_back(j);
  }
  return list;
}

nlohmann::ordered_json uncertaintyJson(const RayReduction& ray) {
  return {{"mm", rounded(ray.uncertainty_mm, 2)},
          {"deg", rounded(toDegrees(ray.uncertainty_rad), 2)},
          {"roll_deg", rounded(toDegrees(ray.roll_rad), 2)}};
}

nlohmann::ordered_json jointJson(const JointFit& joint) {
  return {{"gap_mm", rounded(joint.gap_mm, 2)},
          {"step_mm", rounded(joint.step_mm, 2)},
          {"overlap_mm", rounded(joint.overlap_mm, 2)},
          {"contact_mm2", rounded(joint.contact_mm2, 1)}};
}

nlohmann::ordered_json deviceJson(const Device& d) {
  Json j;
  j["id"] = d.id;
  j["type"] = d.type;
  j["kind"] = d.kind;
  j["stage"] = d.stage;
  j["ray"] = d.ray;
  j["through"] = d.through;
  j["entry"] = pointJson(d.entry, 3);
  j["tip"] = pointJson(d.tip, 3);
  j["direction"] = pointJson(d.direction, 6);
  j["diameter_mm"] = d.diameter_mm;
  j["length_mm"] = d.length_mm;
  j["measured_depth_mm"] = rounded(d.measured_depth_mm, 1);
  j["countersink_mm"] = rounded(d.countersink_mm, 1);
  const DeviceChecks& k = d.checks;
  j["checks"] = {{"inside_fraction", rounded(k.inside_fraction, 4)},
                 {"cortex_margin_mm", rounded(k.cortex_margin_mm, 2)},
                 {"nearest_device_mm", rounded(k.nearest_device_mm, 2)},
                 {"joint_area_lost_percent", rounded(k.joint_area_lost_percent, 2)},
                 {"tip_beyond_cortex_mm", rounded(k.tip_beyond_cortex_mm, 2)},
                 {"crossing_off_centre_mm", rounded(k.crossing_off_centre_mm, 2)},
                 {"entry_to_joint_mm", rounded(k.entry_to_joint_mm, 1)},
                 {"angle_to_shaft_deg", rounded(toDegrees(k.angle_to_shaft_rad), 1)},
                 {"angle_to_surface_deg", rounded(toDegrees(k.angle_to_surface_rad), 1)},
                 {"crossing_angle_deg", rounded(toDegrees(k.crossing_angle_rad), 1)},
                 {"length_in_first_mm", rounded(k.length_in_first_mm, 1)},
                 {"length_in_last_mm", rounded(k.length_in_last_mm, 1)},
                 {"mean_hu", rounded(k.mean_hu, 0)},
                 {"pullout_n", rounded(k.pullout_n, 0)},
                 {"pullout_low_n", rounded(k.pullout_low_n, 0)},
                 {"pullout_high_n", rounded(k.pullout_high_n, 0)},
                 {"other_bones", k.other_bones},
                 {"may_enter", k.may_enter},
                 {"surface_error_mm", rounded(k.surface_error_mm, 2)}};
  j["warnings"] = d.warnings;
  return j;
}

nlohmann::ordered_json planJson(const Case& c) {
  Json j;
  j["schema"] = "rayset.plan/1";
  j["program"] = "rayset " RAYSET_VERSION;
  j["side"] = c.side == Side::kRight ? "right" : "left";
  j["other_foot"] = c.other_foot.empty() ? Json(nullptr) : Json(c.other_foot);
  j["images"] = imagesJson(c.scan, c.grid);
  const Frame& frame = c.reduction.frame;
  j["frame"] = {{"origin", pointJson(frame.origin, 4)},
                {"distal", pointJson(frame.distal, 9)},
                {"medial", pointJson(frame.medial, 9)},
                {"dorsal", pointJson(frame.dorsal, 9)}};
  j["bones"] = Json::array();
  for (const auto& [bone, b] : c.bones) j["bones"].push_back(boneJson(std::string(boneId(bone)), label(bone), b));
  j["missing"] = Json::array();
  for (const Bone bone : kMidfootBones) {
    if (c.bones.contains(bone)) continue;
    j["missing"].push_back(
        {{"id", boneId(bone)}, {"confidence", 0}, {"doubts", Json::array({doubtWord(Doubt::kNotFound)})}});
  }
  for (const auto& [id, f] : c.fragments) j["bones"].push_back(boneJson(id, fragmentLabel(id), f.bone));
  j["labels"] = "labels.nrrd";

  Json injury;
  injury["rays"] = Json::array();
  for (const RayDisplacement& d : c.rays) {
    if (d.ray == 0) continue;
    injury["rays"].push_back({{"ray", d.ray},
                              {"displaced", d.told ? Json(d.displaced) : Json(nullptr)},
                              {"shift_mm",
                               {{"lateral", rounded(d.lateral_mm, 3)},
                                {"dorsal", rounded(d.dorsal_mm, 3)},
                                {"distal", rounded(d.distal_mm, 3)}}},
                              {"turn_deg",
                               {{"abduction", rounded(toDegrees(d.abduction_rad), 3)},
                                {"plantarflexion", rounded(toDegrees(d.plantarflexion_rad), 3)},
                                {"pronation", rounded(toDegrees(d.pronation_rad), 3)}}}});
  }
  injury["flecks"] = Json::array();
  for (const Fleck& f : c.flecks)
    injury["flecks"].push_back({{"centre", pointJson(f.centre, 2)}, {"volume_mm3", rounded(f.volume_mm3, 0)}});
  injury["measures"] = measuresJson(c.measures);
  injury["patterns"] = {{"quenu_kuss", c.patterns.quenu_kuss.value},
                        {"hardcastle", c.patterns.hardcastle.value},
                        {"myerson", c.patterns.myerson.value},
                        {"columns", c.patterns.columns},
                        {"reasons",
                         {{"quenu_kuss", c.patterns.quenu_kuss.reason},
                          {"hardcastle", c.patterns.hardcastle.reason},
                          {"myerson", c.patterns.myerson.reason}}}};
  j["injury"] = injury;

  Json reduction;
  reduction["method"] = c.reduction.method == ReductionMethod::kContralateral ? "contralateral" : "congruence";
  reduction["order"] = c.reduction.order;
  if (c.reduction.method == ReductionMethod::kContralateral) {
    reduction["mirror_residual_mm"] = rounded(c.reduction.mirror_residual_mm, 3);
  }
  reduction["rays"] = Json::array();
  for (const int ray : c.reduction.order) {
    const RayReduction& r = c.reduction.rays[static_cast<std::size_t>(ray - 1)];
    if (r.ray == 0) continue;
    reduction["rays"].push_back({{"ray", r.ray},
                                 {"transform", rigidJson(r.injured_to_reduced)},
                                 {"uncertainty", uncertaintyJson(r)},
                                 {"by_hand", r.by_hand},
                                 {"doubt", r.doubt},
                                 {"joint", jointJson(r.joint)},
                                 {"manoeuvre", r.manoeuvre}});
  }
  reduction["fragments"] = Json::array();
  for (const auto& [id, f] : c.fragments)
    reduction["fragments"].push_back(
        {{"id", id},
         {"transform", rigidJson(f.injured_to_reduced)},
         {"on_bone", rigidJson(f.fit.injured_to_bone)},
         {"uncertainty", {{"mm", rounded(f.uncertainty_mm, 2)}, {"deg", rounded(toDegrees(f.uncertainty_rad), 2)}}},
         {"uncertainty_on_bone",
          {{"mm", rounded(f.fit.uncertainty_mm, 2)}, {"deg", rounded(toDegrees(f.fit.uncertainty_rad), 2)}}},
         {"break",
          {{"gap_mm", rounded(f.fit.gap_mm, 2)},
           {"step_mm", rounded(f.fit.step_mm, 2)},
           {"overlap_mm", rounded(f.fit.overlap_mm, 2)},
           {"face_mm2", rounded(f.fit.face_mm2, 0)}}},
         {"doubt", f.fit.doubt}});
  reduction["measures"] = measuresJson(c.measures_reduced);
  j["reduction"] = reduction;

  j["fixation"] = {{"devices", Json::array()}};
  for (const Device& d : c.fixation.devices) j["fixation"]["devices"].push_back(deviceJson(d));
  j["edits"] = nullptr;
  if (c.edits) j["edits"] = {{"file", c.edits->file}, {"request", c.edits->source}, {"applied", c.edits->applied}};
  j["timings_s"] = Json::object();
  for (const char* stage : {"read", "bones", "injury", "reduction", "fixation", "report"}) {
    const auto it = c.timings_s.find(stage);
    if (it != c.timings_s.end()) j["timings_s"][stage] = rounded(it->second, 3);
  }
  j["cautions"] = c.cautions;
  j["partial"] = c.partial;
  return j;
}

}  // namespace rayset
