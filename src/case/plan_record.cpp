#include "case/plan_record.h"

#include <fmt/format.h>

#include <fstream>
#include <nlohmann/json.hpp>

namespace rayset {
namespace {

using Json = nlohmann::json;

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

}  // namespace

const Device* PlanRecord::device(const std::string& id) const {
  for (const Device& d : devices)
    if (d.id == id) return &d;
  return nullptr;
}

Result<PlanRecord> readPlan(const std::filesystem::path& folder) {
  const std::filesystem::path file = folder / "plan.json";
  std::ifstream in(file);
  if (!in)
    return fail(Fault::kRequest, "there is no plan in this folder", file.string(),
                "Give the folder that `rayset plan` wrote.");
  const Json j = Json::parse(in, nullptr, false);
  if (j.is_discarded() || !j.is_object())
    return fail(Fault::kRequest, "the plan is no JSON", file.string(), "Plan the case again.");
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

}  // namespace rayset
