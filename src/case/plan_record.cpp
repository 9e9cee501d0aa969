#include "case/plan_record.h"

#include <fmt/format.h>
#include <tbb/parallel_for.h>

#include <array>
#include <bit>
#include <cmath>
#include <cstring>
#include <fstream>
#include <nlohmann/json.hpp>
#include <unordered_map>

#include "base/units.h"
#include "image/filters.h"

namespace rayset {
namespace {

using Json = nlohmann::ordered_json;

/// A field that is missing or of the wrong kind; told as an Error by readPlan().
struct BadField {
  std::string field, what;
};

const Json& at(const Json& j, const std::string& key, const std::string& where) {
  const auto it = j.find(key);
  if (it == j.end()) throw BadField{where + "/" + key, "is missing"};
  return *it;
}

double number(const Json& j, const std::string& where) {
  if (!j.is_number()) throw BadField{where, "is not a number"};
  return j.get<double>();
}

std::string text(const Json& j, const std::string& where) {
  if (!j.is_string()) throw BadField{where, "is not a text"};
  return j.get<std::string>();
}

Vec3 point(const Json& j, const std::string& where) {
  if (!j.is_array() || j.size() != 3) throw BadField{where, "is not a point of three numbers"};
  return {number(j[0], where), number(j[1], where), number(j[2], where)};
}

Rigid rigid(const Json& j, const std::string& where) {
  if (!j.is_array() || j.size() != 4) throw BadField{where, "is not a 4 x 4 matrix"};
  Rigid X = Rigid::Identity();
  for (int r = 0; r < 4; ++r) {
    const Json& row = j[static_cast<std::size_t>(r)];
    if (!row.is_array() || row.size() != 4) throw BadField{where, "is not a 4 x 4 matrix"};
    for (int c = 0; c < 4; ++c) X.matrix()(r, c) = number(row[static_cast<std::size_t>(c)], where);
  }
  const Mat3 R = X.linear();
  if (!(R * R.transpose()).isIdentity(1e-3) || R.determinant() < 0) throw BadField{where, "is no rigid transform"};
  // Rounded in the file: made exact again.
  const Eigen::JacobiSVD<Mat3> svd(R, Eigen::ComputeFullU | Eigen::ComputeFullV);
  X.linear() = svd.matrixU() * svd.matrixV().transpose();
  return X;
}

std::string optionalText(const Json& j, const char* key) {
  const auto it = j.find(key);
  return it != j.end() && it->is_string() ? it->get<std::string>() : std::string();
}

Result<Json> readPlanJson(const std::filesystem::path& file) {
  std::ifstream in(file);
  if (!in)
    return fail(Fault::kRequest, "there is no plan in this folder", file.string(),
                "Give the folder that `rayset plan` wrote.");
  Json j = Json::parse(in, nullptr, false);
  if (j.is_discarded() || !j.is_object())
    return fail(Fault::kRequest, "the plan is no JSON", file.string(), "Plan the case again.");
  return j;
}

}  // namespace

const Device* PlanRecord::device(const std::string& id) const {
  for (const Device& d : devices)
    if (d.id == id) return &d;
  return nullptr;
}

Result<PlanRecord> readPlan(const std::filesystem::path& folder) {
  const std::filesystem::path file = folder / "plan.json";
  const auto read = readPlanJson(file);
  if (!read) return tl::unexpected(read.error());
  const Json& j = *read;
  PlanRecord plan;
  plan.folder = folder;
  try {
    if (text(at(j, "schema", ""), "schema") != "rayset.plan/1") throw BadField{"schema", "is not rayset.plan/1"};
    const std::string side = text(at(j, "side", ""), "side");
    if (side != "right" && side != "left") throw BadField{"side", "is neither right nor left"};
    plan.side = side == "right" ? Side::kRight : Side::kLeft;
    if (const auto images = j.find("images"); images != j.end() && images->is_object()) {
      plan.patient_id = optionalText(*images, "patient_id");
      plan.patient_name = optionalText(*images, "patient_name");
      plan.study_date = optionalText(*images, "study_date");
      plan.study_uid = optionalText(*images, "study_uid");
    }
    const Json& frame = at(j, "frame", "");
    plan.frame.origin = point(at(frame, "origin", "frame"), "frame/origin");
    plan.frame.distal = point(at(frame, "distal", "frame"), "frame/distal").normalized();
    plan.frame.medial = point(at(frame, "medial", "frame"), "frame/medial").normalized();
    plan.frame.dorsal = point(at(frame, "dorsal", "frame"), "frame/dorsal").normalized();
    const Json& reduction = at(j, "reduction", "");
    for (const Json& ray : at(reduction, "rays", "reduction")) {
      const int n = static_cast<int>(number(at(ray, "ray", "reduction/rays"), "reduction/rays/ray"));
      if (n < 1 || n > 5) throw BadField{"reduction/rays/ray", "is not 1 to 5"};
      plan.injured_to_reduced[std::string(boneId(metatarsal(n)))] =
          rigid(at(ray, "transform", "reduction/rays"), fmt::format("reduction/rays/{}/transform", n));
      plan.uncertainty_mm[n] =
          number(at(at(ray, "uncertainty", "reduction/rays"), "mm", "reduction/rays/uncertainty"), "uncertainty/mm");
    }
    if (const auto fragments = reduction.find("fragments"); fragments != reduction.end())
      for (const Json& f : *fragments) {
        const std::string id = text(at(f, "id", "reduction/fragments"), "reduction/fragments/id");
        plan.injured_to_reduced[id] = rigid(at(f, "transform", "reduction/fragments"), id + "/transform");
      }
    for (const Json& d : at(at(j, "fixation", ""), "devices", "fixation")) {
      Device device;
      device.id = text(at(d, "id", "fixation/devices"), "fixation/devices/id");
      const std::string where = "fixation/devices/" + device.id;
      device.type = optionalText(d, "type");
      device.kind = text(at(d, "kind", where), where + "/kind");
      device.stage = text(at(d, "stage", where), where + "/stage");
      device.ray = static_cast<int>(number(at(d, "ray", where), where + "/ray"));
      for (const Json& bone : at(d, "through", where)) device.through.push_back(text(bone, where + "/through"));
      device.entry = point(at(d, "entry", where), where + "/entry");
      device.tip = point(at(d, "tip", where), where + "/tip");
      device.direction = point(at(d, "direction", where), where + "/direction").normalized();
      device.diameter_mm = number(at(d, "diameter_mm", where), where + "/diameter_mm");
      device.length_mm = number(at(d, "length_mm", where), where + "/length_mm");
      if (const auto depth = d.find("countersink_mm"); depth != d.end() && depth->is_number())
        device.countersink_mm = depth->get<double>();
      plan.devices.push_back(std::move(device));
    }
    for (const Json& b : at(j, "bones", "")) {
      const std::string id = text(at(b, "id", "bones"), "bones/id");
      auto surface = readStl(folder / "reduced" / (id + ".stl"));
      if (!surface) return tl::unexpected(surface.error());
      if (const auto bone = boneFromId(id))
        plan.reduced[*bone] = std::move(*surface);
      else
        plan.fragments[id] = std::move(*surface);
    }
  } catch (const BadField& bad) {
    return fail(Fault::kRequest, fmt::format("the plan cannot be used: {} {}", bad.field, bad.what), file.string(),
                "Plan the case again.");
  } catch (const Json::exception& e) {
    return fail(Fault::kRequest, fmt::format("the plan cannot be used: {}", e.what()), file.string(),
                "Plan the case again.");
  }
  return plan;
}

Result<FootBodies> readPlanBodies(const std::filesystem::path& folder) { return readBodies(folder / "bodies"); }

Result<LabelVolume> readPlanLabels(const std::filesystem::path& folder) {
  return readNrrdLabels(folder / "labels.nrrd");
}

// ---------------------------------------------------------------------------------------------- the whole case

namespace {

double numberOr(const Json& j, const char* key, double otherwise, const std::string& where) {
  const auto it = j.find(key);
  return it == j.end() ? otherwise : number(*it, where + "/" + key);
}

std::vector<std::string> texts(const Json& j, const std::string& where) {
  if (!j.is_array()) throw BadField{where, "is not a list"};
  std::vector<std::string> out;
  for (const Json& t : j) out.push_back(text(t, where));
  return out;
}

int rayNumber(const Json& j, const std::string& where) {
  const double n = number(at(j, "ray", where), where + "/ray");
  if (n != 1 && n != 2 && n != 3 && n != 4 && n != 5) throw BadField{where + "/ray", "is not 1 to 5"};
  return static_cast<int>(n);
}

bool truth(const Json& j, const std::string& where) {
  if (!j.is_boolean()) throw BadField{where, "is neither true nor false"};
  return j.get<bool>();
}

/// As rounded in the file, not made exact: what is written again must be what was read.
Rigid rigidAsWritten(const Json& j, const std::string& where) {
  (void)rigid(j, where);
  Rigid X = Rigid::Identity();
  for (int r = 0; r < 4; ++r)
    for (int c = 0; c < 4; ++c) X.matrix()(r, c) = j[static_cast<std::size_t>(r)][static_cast<std::size_t>(c)];
  const Mat3 R = X.linear();
  if (!(R * R.transpose()).isIdentity(1e-4)) throw BadField{where, "is no rigid transform"};
  return X;
}

std::optional<double> numberOrNull(const Json& j, const char* key, const std::string& where) {
  const Json& value = at(j, key, where);
  if (value.is_null()) return std::nullopt;
  return number(value, where + "/" + key);
}

std::vector<Measure> measuresFrom(const Json& j, const std::string& where) {
  std::vector<Measure> out;
  for (const Json& m : j) {
    Measure measure;
    measure.key = text(at(m, "key", where), where + "/key");
    const std::string here = where + "/" + measure.key;
    measure.name = text(at(m, "name", here), here + "/name");
    measure.value = number(at(m, "value", here), here + "/value");
    measure.unit = text(at(m, "unit", here), here + "/unit");
    measure.limit = numberOrNull(m, "limit", here);
    measure.limit_on_difference = text(at(m, "limit_on", here), here + "/limit_on") == "side difference";
    measure.limit_is_lower = text(at(m, "limit_is", here), here + "/limit_is") == "lower";
    measure.other_side = numberOrNull(m, "other_side", here);
    measure.difference = numberOrNull(m, "difference", here);
    if (const Json& verdict = at(m, "abnormal", here); !verdict.is_null())
      measure.abnormal = truth(verdict, here + "/abnormal");
    measure.source = text(at(m, "source", here), here + "/source");
    measure.certainty = text(at(m, "certainty", here), here + "/certainty");
    measure.note = text(at(m, "note", here), here + "/note");
    if (m.contains("from")) {
      measure.from = point(m["from"], here + "/from");
      measure.to = point(at(m, "to", here), here + "/to");
    }
    out.push_back(std::move(measure));
  }
  return out;
}

DeviceChecks checksFrom(const Json& j, const std::string& where) {
  DeviceChecks c;
  const auto value = [&](const char* key) { return numberOr(j, key, 0, where); };
  c.inside_fraction = value("inside_fraction");
  c.cortex_margin_mm = value("cortex_margin_mm");
  c.nearest_device_mm = numberOr(j, "nearest_device_mm", 1000, where);
  c.joint_area_lost_percent = value("joint_area_lost_percent");
  c.tip_beyond_cortex_mm = value("tip_beyond_cortex_mm");
  c.crossing_off_centre_mm = value("crossing_off_centre_mm");
  c.entry_to_joint_mm = value("entry_to_joint_mm");
  c.angle_to_shaft_rad = toRadians(value("angle_to_shaft_deg"));
  c.angle_to_surface_rad = toRadians(value("angle_to_surface_deg"));
  c.crossing_angle_rad = toRadians(value("crossing_angle_deg"));
  c.length_in_first_mm = value("length_in_first_mm");
  c.length_in_last_mm = value("length_in_last_mm");
  c.mean_hu = value("mean_hu");
  c.pullout_n = value("pullout_n");
  c.pullout_low_n = value("pullout_low_n");
  c.pullout_high_n = value("pullout_high_n");
  c.other_bones = texts(at(j, "other_bones", where), where + "/other_bones");
  if (const auto may = j.find("may_enter"); may != j.end()) c.may_enter = texts(*may, where + "/may_enter");
  c.surface_error_mm = value("surface_error_mm");
  return c;
}

Device deviceFrom(const Json& d, const std::string& list) {
  Device device;
  device.id = text(at(d, "id", list), list + "/id");
  const std::string where = list + "/" + device.id;
  device.type = text(at(d, "type", where), where + "/type");
  device.kind = text(at(d, "kind", where), where + "/kind");
  device.stage = text(at(d, "stage", where), where + "/stage");
  device.ray = rayNumber(d, where);
  device.through = texts(at(d, "through", where), where + "/through");
  device.entry = point(at(d, "entry", where), where + "/entry");
  device.tip = point(at(d, "tip", where), where + "/tip");
  device.direction = point(at(d, "direction", where), where + "/direction");
  if (std::abs(device.direction.norm() - 1) > 1e-4) throw BadField{where + "/direction", "is not of unit length"};
  device.diameter_mm = number(at(d, "diameter_mm", where), where + "/diameter_mm");
  device.length_mm = number(at(d, "length_mm", where), where + "/length_mm");
  device.measured_depth_mm = number(at(d, "measured_depth_mm", where), where + "/measured_depth_mm");
  device.countersink_mm = number(at(d, "countersink_mm", where), where + "/countersink_mm");
  device.checks = checksFrom(at(d, "checks", where), where + "/checks");
  device.warnings = texts(at(d, "warnings", where), where + "/warnings");
  return device;
}

ScanInfo scanFrom(const Json& j) {
  ScanInfo s;
  const std::pair<const char*, std::string ScanInfo::*> fields[] = {
      {"patient_id", &ScanInfo::patient_id},
      {"patient_name", &ScanInfo::patient_name},
      {"patient_sex", &ScanInfo::patient_sex},
      {"patient_birth_date", &ScanInfo::patient_birth_date},
      {"study_uid", &ScanInfo::study_uid},
      {"study_date", &ScanInfo::study_date},
      {"study_description", &ScanInfo::study_description},
      {"accession", &ScanInfo::accession},
      {"series_uid", &ScanInfo::series_uid},
      {"series_description", &ScanInfo::series_description},
      {"series_number", &ScanInfo::series_number},
      {"frame_of_reference_uid", &ScanInfo::frame_of_reference_uid},
      {"manufacturer", &ScanInfo::manufacturer},
      {"model", &ScanInfo::model},
      {"kernel", &ScanInfo::kernel},
      {"body_part", &ScanInfo::body_part},
      {"laterality", &ScanInfo::laterality},
      {"patient_position", &ScanInfo::patient_position}};
  for (const auto& [key, field] : fields) s.*field = optionalText(j, key);
  s.kvp = numberOr(j, "kvp", 0, "images");
  s.files = static_cast<std::size_t>(numberOr(j, "files", 0, "images"));
  return s;
}

/// nullopt where the plan was written before the whole grid was recorded.
std::optional<Grid> gridFrom(const Json& j) {
  if (!j.contains("origin") || !j.contains("directions")) return std::nullopt;
  Grid g;
  const Vec3 size = point(at(j, "size", "images"), "images/size");
  g.size = size.cast<int>();
  g.spacing = point(at(j, "spacing_mm", "images"), "images/spacing_mm");
  g.origin = point(j["origin"], "images/origin");
  const Json& directions = j["directions"];
  if (!directions.is_array() || directions.size() != 3) throw BadField{"images/directions", "is not three directions"};
  for (std::size_t axis = 0; axis < 3; ++axis)
    g.direction.col(static_cast<int>(axis)) = point(directions[axis], "images/directions");
  return g;
}

SegmentedBone boneFrom(const Json& j, const std::string& id) {
  const std::string where = "bones/" + id;
  SegmentedBone b;
  b.volume_mm3 = number(at(j, "volume_mm3", where), where + "/volume_mm3");
  b.complete = truth(at(j, "complete", where), where + "/complete");
  b.confidence = number(at(j, "confidence", where), where + "/confidence");
  if (const auto it = j.find("doubts"); it != j.end())
    for (const std::string& word : texts(*it, where + "/doubts"))
      for (const Doubt d : kDoubts)
        if (doubtWord(d) == word) b.doubts.push_back(d);
  b.doubt = text(at(j, "doubt", where), where + "/doubt");
  b.by_hand = j.contains("by_hand") && truth(j["by_hand"], where + "/by_hand");
  b.mean_hu = numberOr(j, "mean_hu", 0, where);
  if (const auto it = j.find("evidence"); it != j.end()) {
    for (const EvidenceField& f : kEvidenceFields)
      b.evidence.*f.value = numberOr(*it, f.key, b.evidence.*f.value, where + "/evidence");
  }
  return b;
}

/// A binary STL of our own: vertices that triangles share have the same bits, so that they are joined without looking
/// for near ones (ten times quicker than readStl(), which reads what this does not).
Result<Surface> readOwnStl(const std::filesystem::path& file) {
  std::ifstream in(file, std::ios::binary | std::ios::ate);
  if (!in) return readStl(file);
  std::vector<char> bytes(static_cast<std::size_t>(in.tellg()));
  in.seekg(0);
  in.read(bytes.data(), static_cast<std::streamsize>(bytes.size()));
  std::uint32_t count = 0;
  if (!in || bytes.size() < 84) return readStl(file);
  std::memcpy(&count, bytes.data() + 80, 4);
  if (count == 0 || bytes.size() != 84 + 50 * static_cast<std::size_t>(count)) return readStl(file);
  Surface s;
  s.triangles.reserve(count);
  s.vertices.reserve(count / 2 + 8);
  std::vector<std::uint32_t> table(std::bit_ceil(static_cast<std::size_t>(count) * 2), UINT32_MAX);
  std::vector<std::array<float, 3>> known;
  known.reserve(count / 2 + 8);
  const auto vertex = [&](const char* at) {
    std::array<float, 3> v{};
    std::memcpy(v.data(), at, sizeof v);
    std::uint64_t hash = 0;
    for (float& x : v) {
      x += 0.0F;  // no negative zero: one place, one vertex
      hash = (hash ^ std::bit_cast<std::uint32_t>(x)) * 0x9E3779B97F4A7C15ULL;
      hash ^= hash >> 29;
    }
    for (std::size_t slot = hash & (table.size() - 1);; slot = (slot + 1) & (table.size() - 1)) {
      if (table[slot] == UINT32_MAX) {
        table[slot] = static_cast<std::uint32_t>(known.size());
        known.push_back(v);
        s.vertices.emplace_back(static_cast<double>(v[0]), static_cast<double>(v[1]), static_cast<double>(v[2]));
        return table[slot];
      }
      if (known[table[slot]] == v) return table[slot];
    }
  };
  for (std::size_t i = 0; i < count; ++i) {
    const char* here = bytes.data() + 84 + 50 * i + 12;
    const Surface::Triangle t{vertex(here), vertex(here + 12), vertex(here + 24)};
    if (!s.vertices[t[0]].allFinite() || !s.vertices[t[1]].allFinite() || !s.vertices[t[2]].allFinite())
      return readStl(file);  // says what is wrong
    if (t[0] != t[1] && t[1] != t[2] && t[2] != t[0]) s.triangles.push_back(t);
  }
  return s;
}

struct SurfaceJob {
  std::filesystem::path file;
  Surface* into = nullptr;
};

Status readSurfaces(std::vector<SurfaceJob>& jobs) {
  std::vector<Status> done(jobs.size());
  tbb::parallel_for(std::size_t{0}, jobs.size(), [&](std::size_t i) {
    auto surface = readOwnStl(jobs[i].file);
    if (surface)
      *jobs[i].into = std::move(*surface);
    else
      done[i] = tl::unexpected(surface.error());
  });
  for (const Status& s : done)
    if (!s) return s;
  return {};
}

void readInjury(const Json& j, Case& c) {
  for (const Json& r : at(j, "rays", "injury")) {
    RayDisplacement d;
    d.ray = rayNumber(r, "injury/rays");
    const std::string where = fmt::format("injury/rays/{}", d.ray);
    d.told = !at(r, "displaced", where).is_null();
    const Json &shift = at(r, "shift_mm", where), &turn = at(r, "turn_deg", where);
    d.lateral_mm = number(at(shift, "lateral", where), where + "/lateral");
    d.dorsal_mm = number(at(shift, "dorsal", where), where + "/dorsal");
    d.distal_mm = number(at(shift, "distal", where), where + "/distal");
    d.abduction_rad = toRadians(number(at(turn, "abduction", where), where + "/abduction"));
    d.plantarflexion_rad = toRadians(number(at(turn, "plantarflexion", where), where + "/plantarflexion"));
    d.pronation_rad = toRadians(number(at(turn, "pronation", where), where + "/pronation"));
    d.displaced = d.told ? truth(at(r, "displaced", where), where + "/displaced")
                         : std::hypot(d.lateral_mm, d.dorsal_mm) >= kDisplacedFromMm;
    c.rays[static_cast<std::size_t>(d.ray - 1)] = d;
  }
  if (const auto flecks = j.find("flecks"); flecks != j.end())
    for (const Json& f : *flecks)
      c.flecks.push_back({number(at(f, "volume_mm3", "injury/flecks"), "injury/flecks/volume_mm3"),
                          point(at(f, "centre", "injury/flecks"), "injury/flecks/centre")});
  c.measures = measuresFrom(at(j, "measures", "injury"), "injury/measures");
  const Json& p = at(j, "patterns", "injury");
  const Json& reasons = at(p, "reasons", "injury/patterns");
  const auto name = [&](const char* key) {
    const std::string where = std::string("injury/patterns/") + key;
    return PatternName{text(at(p, key, "injury/patterns"), where), text(at(reasons, key, where), where)};
  };
  c.patterns.quenu_kuss = name("quenu_kuss");
  c.patterns.hardcastle = name("hardcastle");
  c.patterns.myerson = name("myerson");
  c.patterns.columns = texts(at(p, "columns", "injury/patterns"), "injury/patterns/columns");
}

void readReduction(const Json& j, Case& c) {
  ReductionResult& out = c.reduction;
  const std::string method = text(at(j, "method", "reduction"), "reduction/method");
  out.method = method == "contralateral" ? ReductionMethod::kContralateral : ReductionMethod::kCongruence;
  out.order.clear();
  for (const Json& n : at(j, "order", "reduction")) out.order.push_back(static_cast<int>(number(n, "reduction/order")));
  out.mirror_residual_mm = numberOr(j, "mirror_residual_mm", 0, "reduction");
  for (const Json& r : at(j, "rays", "reduction")) {
    RayReduction ray;
    ray.ray = rayNumber(r, "reduction/rays");
    const std::string where = fmt::format("reduction/rays/{}", ray.ray);
    ray.injured_to_reduced = rigidAsWritten(at(r, "transform", where), where + "/transform");
    const Json& within = at(r, "uncertainty", where);
    ray.uncertainty_mm = number(at(within, "mm", where), where + "/uncertainty/mm");
    ray.uncertainty_rad = toRadians(number(at(within, "deg", where), where + "/uncertainty/deg"));
    ray.roll_rad = toRadians(numberOr(within, "roll_deg", 0, where + "/uncertainty"));
    ray.by_hand = r.contains("by_hand") && truth(r["by_hand"], where + "/by_hand");
    if (r.contains("doubt")) ray.doubt = text(r["doubt"], where + "/doubt");
    const Json& joint = at(r, "joint", where);
    ray.joint.gap_mm = number(at(joint, "gap_mm", where), where + "/joint/gap_mm");
    ray.joint.step_mm = number(at(joint, "step_mm", where), where + "/joint/step_mm");
    ray.joint.overlap_mm = number(at(joint, "overlap_mm", where), where + "/joint/overlap_mm");
    ray.joint.contact_mm2 = number(at(joint, "contact_mm2", where), where + "/joint/contact_mm2");
    ray.manoeuvre = texts(at(r, "manoeuvre", where), where + "/manoeuvre");
    out.rays[static_cast<std::size_t>(ray.ray - 1)] = std::move(ray);
  }
  if (const auto fragments = j.find("fragments"); fragments != j.end())
    for (const Json& f : *fragments) {
      const std::string id = text(at(f, "id", "reduction/fragments"), "reduction/fragments/id");
      const std::string where = "reduction/fragments/" + id;
      CaseFragment& fragment = c.fragments[id];
      fragment.injured_to_reduced = rigidAsWritten(at(f, "transform", where), where + "/transform");
      fragment.fit.injured_to_bone = rigidAsWritten(at(f, "on_bone", where), where + "/on_bone");
      const Json& within = at(f, "uncertainty", where);
      fragment.uncertainty_mm = number(at(within, "mm", where), where + "/uncertainty/mm");
      fragment.uncertainty_rad = toRadians(number(at(within, "deg", where), where + "/uncertainty/deg"));
      if (const auto own = f.find("uncertainty_on_bone"); own != f.end()) {
        fragment.fit.uncertainty_mm = number(at(*own, "mm", where), where + "/uncertainty_on_bone/mm");
        fragment.fit.uncertainty_rad = toRadians(number(at(*own, "deg", where), where + "/uncertainty_on_bone/deg"));
      }
      const Json& faces = at(f, "break", where);
      fragment.fit.gap_mm = number(at(faces, "gap_mm", where), where + "/break/gap_mm");
      fragment.fit.step_mm = number(at(faces, "step_mm", where), where + "/break/step_mm");
      fragment.fit.overlap_mm = number(at(faces, "overlap_mm", where), where + "/break/overlap_mm");
      fragment.fit.face_mm2 = number(at(faces, "face_mm2", where), where + "/break/face_mm2");
      fragment.fit.doubt = text(at(f, "doubt", where), where + "/doubt");
    }
  c.measures_reduced = measuresFrom(at(j, "measures", "reduction"), "reduction/measures");
}

/// Everything but surfaces and volumes.
Case caseFrom(const Json& j) {
  Case c;
  if (text(at(j, "schema", ""), "schema") != "rayset.plan/1") throw BadField{"schema", "is not rayset.plan/1"};
  const std::string side = text(at(j, "side", ""), "side");
  if (side != "right" && side != "left") throw BadField{"side", "is neither right nor left"};
  c.side = side == "right" ? Side::kRight : Side::kLeft;
  c.other_foot = optionalText(j, "other_foot");
  const Json& images = at(j, "images", "");
  c.scan = scanFrom(images);
  if (const auto grid = gridFrom(images)) c.grid = *grid;
  const Json& frame = at(j, "frame", "");
  c.reduction.frame.origin = point(at(frame, "origin", "frame"), "frame/origin");
  c.reduction.frame.distal = point(at(frame, "distal", "frame"), "frame/distal");
  c.reduction.frame.medial = point(at(frame, "medial", "frame"), "frame/medial");
  c.reduction.frame.dorsal = point(at(frame, "dorsal", "frame"), "frame/dorsal");
  readInjury(at(j, "injury", ""), c);
  readReduction(at(j, "reduction", ""), c);
  for (const Json& b : at(j, "bones", "")) {
    const std::string id = text(at(b, "id", "bones"), "bones/id");
    if (const auto bone = boneFromId(id))
      c.bones[*bone] = boneFrom(b, id);
    else if (c.fragments.contains(id))
      c.fragments.at(id).bone = boneFrom(b, id);
    else
      throw BadField{"bones/" + id, "is neither a bone nor a fragment of the reduction"};
  }
  for (const Json& d : at(at(j, "fixation", ""), "devices", "fixation"))
    c.fixation.devices.push_back(deviceFrom(d, "fixation/devices"));
  if (const auto edits = j.find("edits"); edits != j.end() && !edits->is_null()) {
    c.edits.emplace();
    c.edits->file = optionalText(*edits, "file");
    c.edits->source = at(*edits, "request", "edits");
    c.edits->applied = texts(at(*edits, "applied", "edits"), "edits/applied");
  }
  if (const auto timings = j.find("timings_s"); timings != j.end())
    for (const auto& [stage, seconds] : timings->items()) c.timings_s[stage] = number(seconds, "timings_s");
  c.cautions = texts(at(j, "cautions", ""), "cautions");
  if (const auto partial = j.find("partial"); partial != j.end()) c.partial = truth(*partial, "partial");
  return c;
}

}  // namespace

Result<Device> deviceFromJson(const nlohmann::ordered_json& j, const std::string& where) {
  try {
    return deviceFrom(j, where);
  } catch (const BadField& bad) {
    return fail(Fault::kRequest, fmt::format("not a device: {} {}", bad.field, bad.what), where);
  } catch (const Json::exception& e) {
    return fail(Fault::kRequest, fmt::format("not a device: {}", e.what()), where);
  }
}

Result<Rigid> rigidFromJson(const nlohmann::ordered_json& j, const std::string& where) {
  try {
    return rigidAsWritten(j, where);
  } catch (const BadField& bad) {
    return fail(Fault::kRequest, fmt::format("{} {}", bad.field, bad.what), where,
                "Write four rows of four numbers, the last [0, 0, 0, 1], with at least six decimals and no scaling.");
  }
}

Result<Case> readCase(const std::filesystem::path& folder, const Catalogue& catalogue, const CaseParts& parts) {
  const std::filesystem::path file = folder / "plan.json";
  const auto j = readPlanJson(file);
  if (!j) return tl::unexpected(j.error());
  Case c;
  try {
    c = caseFrom(*j);
  } catch (const BadField& bad) {
    return fail(Fault::kRequest, fmt::format("the plan cannot be used: {} {}", bad.field, bad.what), file.string(),
                "Plan the case again.");
  } catch (const Json::exception& e) {
    return fail(Fault::kRequest, fmt::format("the plan cannot be used: {}", e.what()), file.string(),
                "Plan the case again.");
  }
  c.catalogue = catalogue;

  std::vector<SurfaceJob> jobs;
  const auto named = [&](const std::string& id) { return folder / "surfaces" / (id + ".stl"); };
  for (auto& [bone, b] : c.bones) jobs.push_back({named(std::string(boneId(bone))), &b.surface});
  for (auto& [id, f] : c.fragments) jobs.push_back({named(id), &f.bone.surface});
  if (const Status read = readSurfaces(jobs); !read) return tl::unexpected(read.error());
  for (const auto& [bone, b] : c.bones) c.injured[bone] = b.surface;
  c.reduction.reduced = c.injured;
  for (const RayReduction& r : c.reduction.rays)
    if (const auto it = r.ray == 0 ? c.injured.end() : c.injured.find(metatarsal(r.ray)); it != c.injured.end())
      c.reduction.reduced.at(it->first) = transformed(it->second, r.injured_to_reduced);
  for (auto& [id, f] : c.fragments) f.reduced = transformed(f.bone.surface, f.injured_to_reduced);

  if (parts.labels || c.grid.count() == 0) {
    auto labels = readPlanLabels(folder);
    if (!labels) return tl::unexpected(labels.error());
    if (c.grid.count() == 0) c.grid = labels->grid;
    if (parts.labels) c.labels = std::move(*labels);
  }
  if (parts.bodies) {
    auto bodies = readPlanBodies(folder);
    if (!bodies) return tl::unexpected(bodies.error());
    c.bodies = std::move(*bodies);
  }
  return c;
}

}  // namespace rayset
