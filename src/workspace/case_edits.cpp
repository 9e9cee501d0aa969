#include "workspace/case_edits.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "bones/edits.h"
#include "case/plan_record.h"
#include "geometry/json.h"
#include "report/words.h"

namespace rayset {
namespace {

constexpr double kFarMm = 5000;     // no scanner reaches farther from its origin
constexpr double kFarthestMm = 60;  // no injury takes a base farther from where it belongs (case/corrections.cpp)
constexpr std::size_t kMostMeasures = 200;
constexpr std::size_t kMostBytes = 1 << 20;  // of one payload

tl::unexpected<Error> wrong(std::string what, std::string where, std::string remedy) {
  return fail(Fault::kRequest, std::move(what), std::move(where), std::move(remedy));
}

/// The fields of a payload, each taken with its check.
class Fields {
 public:
  Fields(const EditJson& j, std::string kind) : j_(j), kind_(std::move(kind)) {}

  [[nodiscard]] Status only(std::initializer_list<const char*> known) const {
    std::string names;
    for (const char* k : known) names += (names.empty() ? "" : ", ") + std::string(k);
    if (!j_.is_object()) return wrong("the edit has no fields", kind_, "Send {kind, " + names + "}.");
    for (const auto& [key, value] : j_.items())
      if (std::none_of(known.begin(), known.end(), [&](const char* k) { return key == k; }))
        return wrong(fmt::format("an unknown field \"{}\"", key.substr(0, 60)), kind_, "Known are " + names + ".");
    return {};
  }
  [[nodiscard]] bool has(const char* key) const { return j_.contains(key); }
  [[nodiscard]] bool isNull(const char* key) const { return j_.contains(key) && j_[key].is_null(); }
  /// Characters, not bytes, are counted.
  [[nodiscard]] Result<std::string> text(const char* key, std::size_t least, std::size_t most) const {
    if (!j_.contains(key) || !j_[key].is_string())
      return wrong(fmt::format("\"{}\" is not a text", key), kind_, "Write it in quotes.");
    const auto& s = j_[key].get_ref<const std::string&>();
    const auto length = static_cast<std::size_t>(
        std::count_if(s.begin(), s.end(), [](char c) { return (static_cast<unsigned char>(c) & 0xC0U) != 0x80U; }));
    if (length < least || length > most)
      return wrong(fmt::format("\"{}\" has {} characters", key, length), kind_,
                   fmt::format("Give {} to {} characters.", least, most));
    return s;
  }
  /// A name made by a program: letters, digits, dot, dash and underscore.
  [[nodiscard]] Result<std::string> id(const char* key) const {
    auto s = text(key, 1, 64);
    if (s && !std::all_of(s->begin(), s->end(), [](char c) {
          return (c >= '0' && c <= '9') || (c >= 'A' && c <= 'Z') || (c >= 'a' && c <= 'z') || c == '.' || c == '-' ||
                 c == '_';
        }))
      return wrong(fmt::format("\"{}\" is not an id", key), kind_, "Use letters, digits, dot, dash and underscore.");
    return s;
  }
  [[nodiscard]] Result<bool> truth(const char* key) const {
    if (!j_.contains(key) || !j_[key].is_boolean())
      return wrong(fmt::format("\"{}\" is neither true nor false", key), kind_, "Write true or false.");
    return j_[key].get<bool>();
  }
  [[nodiscard]] Result<double> number(const char* key, double low, double high, const char* unit) const {
    const std::string range = fmt::format("Give a number from {:g} to {:g}{}.", low, high, unit);
    if (!j_.contains(key) || !j_[key].is_number())
      return wrong(fmt::format("\"{}\" is not a number", key), kind_, range);
    const double v = j_[key].get<double>();
    if (!(v >= low && v <= high)) return wrong(fmt::format("\"{}\" is {:g}", key, v), kind_, range);
    return v;
  }
  [[nodiscard]] Result<int> ray() const {
    if (!j_.contains("ray") || !j_["ray"].is_number_integer() || j_["ray"] < 1 || j_["ray"] > 5)
      return wrong("\"ray\" is not the number of a ray", kind_, "Write 1 to 5.");
    return j_["ray"].get<int>();
  }
  [[nodiscard]] Result<Vec3> point(const char* key) const {
    if (!j_.contains(key)) return wrong(fmt::format("\"{}\" is missing", key), kind_, kPointForm);
    return pointFrom(j_[key], key);
  }
  [[nodiscard]] Result<Vec3> pointFrom(const EditJson& p, const char* key) const {
    if (!p.is_array() || p.size() != 3) return wrong(fmt::format("\"{}\" is not a point", key), kind_, kPointForm);
    Vec3 out;
    for (std::size_t a = 0; a < 3; ++a) {
      if (!p[a].is_number() || !(std::abs(p[a].get<double>()) <= kFarMm))
        return wrong(fmt::format("\"{}\" is not a point within {:g} mm", key, kFarMm), kind_, kPointForm);
      out[static_cast<int>(a)] = p[a].get<double>();
    }
    return out;
  }
  [[nodiscard]] Result<std::string> date(const char* key) const {
    auto s = text(key, 10, 10);
    if (!s || !isDate(*s)) return wrong(fmt::format("\"{}\" is not a date", key), kind_, "Write YYYY-MM-DD.");
    return s;
  }
  [[nodiscard]] Result<std::string> device(const EditState& state, const char* key) const {
    auto s = id(key);
    if (s && state.device(*s) == nullptr) {
      std::vector<std::string> ids;
      for (const EditedDevice& d : state.devices) ids.push_back(d.device.id);
      return wrong(fmt::format("there is no device {}", *s), kind_,
                   ids.empty() ? "The plan has no devices." : "There are " + words::listed(ids) + ".");
    }
    return s;
  }

 private:
  static constexpr const char* kPointForm = "Write [x, y, z], millimetres in the patient frame (LPS).";
  const EditJson& j_;
  std::string kind_;
};

template <class... Results>
Status firstError(const Results&... results) {
  Status out;
  const auto look = [&](const auto& r) {
    if (out && !r) out = tl::unexpected(r.error());
  };
  (look(results), ...);
  return out;
}

Status checkDeviceSet(const Fields& f, const EditState& state) {
  if (Status s = f.only({"id", "entry", "tip", "type"}); !s) return s;
  if (f.has("type"))
    if (const auto type = f.id("type"); !type) return tl::unexpected(type.error());
  return firstError(f.device(state, "id"), f.point("entry"), f.point("tip"));
}

Status checkSwap(const Fields& f, const Case& planned) {
  if (Status s = f.only({"ray", "to"}); !s) return s;
  const auto ray = f.ray();
  const auto to = f.text("to", 1, 20);
  if (Status s = firstError(ray, to); !s) return s;
  if (*ray < 4)
    return wrong(fmt::format("the {} ray is planned with screws only", ordinal(*ray)), "device.swap",
                 "Wires in place of screws are for the fourth and fifth ray, the mobile ones.");
  if (*to != "screws" && *to != "wires")
    return wrong(fmt::format("\"{}\" is neither screws nor wires", *to), "device.swap", "Write screws or wires.");
  if (planned.reduction.rays[static_cast<std::size_t>(*ray - 1)].ray == 0)
    return wrong(fmt::format("the {} ray was not placed, so that nothing can hold it", ordinal(*ray)), "device.swap",
                 "See the cautions.");
  return {};
}

Status checkRayMove(const Fields& f, const EditJson& payload, const EditState& state, const Case& planned) {
  if (Status s = f.only({"ray", "transform"}); !s) return s;
  const auto ray = f.ray();
  if (!ray) return tl::unexpected(ray.error());
  const RayReduction& r = planned.reduction.rays[static_cast<std::size_t>(*ray - 1)];
  const auto bone = planned.injured.find(metatarsal(*ray));
  if (r.ray == 0 || bone == planned.injured.end())
    return wrong(fmt::format("the {} ray was not placed by the plan and cannot be moved from there", ordinal(*ray)),
                 "ray.move", "See the cautions: a bone of it is missing.");
  if (!f.has("transform"))
    return wrong("\"transform\" is missing", "ray.move", "Give the 4 x 4 matrix from injured to reduced.");
  const auto X = rigidFromJson(payload["transform"], "ray.move, transform");
  if (!X) return tl::unexpected(X.error());
  if (Mat3(X->linear()).determinant() < 0)
    return wrong("the matrix mirrors the bone", "ray.move, transform", "Give a rotation without reflection.");
  if (X->matrix().row(3) != Eigen::RowVector4d(0, 0, 0, 1))
    return wrong("the last row of the matrix is not [0, 0, 0, 1]", "ray.move, transform", "Give a rigid transform.");
  const Box box = bounds(bone->second);
  const double away = (*X * box.center() - state.pose(*ray, planned) * box.center()).norm();
  const double from_plan = (*X * box.center() - r.injured_to_reduced * box.center()).norm();
  if (std::min(away, from_plan) > kFarthestMm)
    return wrong(
        fmt::format("the matrix takes the {} metatarsal {:.0f} mm from where it stands", ordinal(*ray), away),
        "ray.move, transform",
        fmt::format("It takes points of the bone as scanned to where they belong, at most {:g} mm away.", kFarthestMm));
  return {};
}

Status checkBoneEdits(const Fields& f, const EditJson& payload, const EditState& state, const Case& planned) {
  if (Status s = f.only({"edits"}); !s) return s;
  if (!f.has("edits") || !payload["edits"].is_object() || payload["edits"].empty())
    return wrong("\"edits\" is not an object with entries", "bones.edit",
                 "Write {\"edits\": {\"seeds\": [..]}} (docs/edits.md).");
  for (const auto& [key, value] : payload["edits"].items())
    if (key == "poses") return wrong("poses are not edits of bones", "bones.edit, poses", "Use ray.move.");
  EditJson merged = mergedBoneEdits(state.bone_edits, payload["edits"]);
  merged["schema"] = "rayset.edits/1";
  const auto edits = parseEdits(merged.dump(-1, ' ', false, EditJson::error_handler_t::replace), "edits");
  if (!edits) return tl::unexpected(edits.error());
  if (edits->side && *edits->side != planned.side)
    return wrong(fmt::format("the edits are for the {} foot, but the {} foot is planned", words::sideWord(*edits->side),
                             words::sideWord(planned.side)),
                 "bones.edit, side", "Correct the side.");
  return checkEdits(*edits, planned.grid);
}

Status checkMeasureAdd(const Fields& f, const EditJson& payload, const EditState& state) {
  if (Status s = f.only({"id", "view", "kind", "points", "state"}); !s) return s;
  const auto id = f.id("id");
  const auto view = f.text("view", 0, 120);
  const auto kind = f.text("kind", 1, 20), pose = f.text("state", 1, 20);
  if (Status s = firstError(id, view, kind, pose); !s) return s;
  if (*kind != "distance" && *kind != "angle")
    return wrong(fmt::format("\"{}\" is no kind of measure", *kind), "measure.add", "Write distance or angle.");
  if (*pose != "injured" && *pose != "reduced")
    return wrong(fmt::format("\"{}\" is no state of the foot", *pose), "measure.add", "Write injured or reduced.");
  for (const EditJson& m : state.measures)
    if (m["id"] == *id)
      return wrong(fmt::format("there is a measure {} already", *id), "measure.add", "Use another id.");
  if (state.measures.size() >= kMostMeasures)
    return wrong(fmt::format("there are {} measures already", kMostMeasures), "measure.add", "Remove some first.");
  const std::size_t wanted = *kind == "distance" ? 2 : 3;
  if (!f.has("points") || !payload["points"].is_array() || payload["points"].size() != wanted)
    return wrong(fmt::format("a {} has {} points", *kind, wanted), "measure.add, points",
                 *kind == "distance" ? "Give its two ends." : "Give one arm's end, the corner, the other arm's end.");
  std::vector<Vec3> points;
  for (const EditJson& p : payload["points"]) {
    const auto point = f.pointFrom(p, "points");
    if (!point) return tl::unexpected(point.error());
    points.push_back(*point);
  }
  for (std::size_t i = 1; i < points.size(); ++i)
    if ((points[i] - points[i - 1]).norm() < 0.05)
      return wrong("two points of the measure are the same", "measure.add, points", "Set them apart.");
  return {};
}

Status checkFollowupDone(const Fields& f) {
  if (Status s = f.only({"id", "date"}); !s) return s;
  if (const auto id = f.id("id"); !id) return tl::unexpected(id.error());
  if (f.isNull("date")) return {};
  const auto date = f.date("date");
  return date ? Status{} : tl::unexpected(date.error());
}

double valueOf(const EditJson& measure) {
  std::vector<Vec3> p;
  for (const EditJson& j : measure["points"])
    p.emplace_back(j[0].get<double>(), j[1].get<double>(), j[2].get<double>());
  if (p.size() == 2) return (p[1] - p[0]).norm();
  const Vec3 a = p[0] - p[1], b = p[2] - p[1];
  return std::atan2(a.cross(b).norm(), a.dot(b)) * 180 / M_PI;
}

/// The device of a completed payload.
Result<EditedDevice> storedDevice(const EditJson& j, const Rigid& pose_now) {
  if (!j.is_object() || !j.contains("device")) return wrong("the edit has no device", "device", "");
  auto device = deviceFromJson(j["device"], "device");
  if (!device) return tl::unexpected(device.error());
  EditedDevice out{std::move(*device), pose_now, true, {}};
  if (j.contains("pose")) {
    const auto pose = rigidFromJson(j["pose"], "pose");
    if (!pose) return tl::unexpected(pose.error());
    out.pose = *pose;
  }
  if (j.contains("stand") && j["stand"].is_string()) out.stand = j["stand"].get<std::string>();
  return out;
}

void takeCautions(EditState& state, const EditJson& p) {
  if (p.contains("cautions"))
    for (const EditJson& text : p["cautions"]) state.cautions.push_back(text.get<std::string>());
}

Status applyDeviceSet(EditState& state, const Case& planned, const EditJson& p) {
  const auto it = std::find_if(state.devices.begin(), state.devices.end(),
                               [&](const EditedDevice& d) { return d.device.id == p["id"]; });
  if (it == state.devices.end()) return wrong(fmt::format("there is no device {} any more", p["id"].dump()), "", "");
  auto set = storedDevice(p, state.pose(it->device.ray, planned));
  if (!set) return tl::unexpected(set.error());
  if (set->device.ray != it->device.ray || set->device.through != it->device.through)
    return wrong(fmt::format("{} goes through other bones in this plan", it->device.id), "", "");
  state.changed_rays.insert(it->device.ray);
  *it = *std::move(set);
  takeCautions(state, p);
  return {};
}

Status applySwap(EditState& state, const Case& planned, const EditJson& p) {
  const int ray = p["ray"].get<int>();
  std::vector<EditedDevice> made;
  for (const EditJson& j : p.at("devices")) {
    auto d = storedDevice(j, state.pose(ray, planned));
    if (!d) return tl::unexpected(d.error());
    if (d->device.ray != ray) return wrong("a device of another ray", "", "");
    made.push_back(*std::move(d));
  }
  const auto mine = [&](const EditedDevice& d) { return d.device.ray == ray; };
  const auto first = std::find_if(state.devices.begin(), state.devices.end(), mine);
  const auto at = first - state.devices.begin();
  std::erase_if(state.devices, mine);
  state.devices.insert(state.devices.begin() + at, made.begin(), made.end());
  takeCautions(state, p);
  state.changed_rays.insert(ray);
  return {};
}

}  // namespace

const EditedDevice* EditState::device(const std::string& id) const {
  const auto it =
      std::find_if(devices.begin(), devices.end(), [&](const EditedDevice& d) { return d.device.id == id; });
  return it == devices.end() ? nullptr : &*it;
}

Rigid EditState::pose(int ray, const Case& planned) const {
  const auto n = static_cast<std::size_t>(ray - 1);
  return poses[n] ? *poses[n] : planned.reduction.rays[n].injured_to_reduced;
}

namespace {

std::uint64_t hashOf(const Rigid& X, std::uint64_t hash) {  // FNV-1a
  for (int k = 0; k < 12; ++k)
    for (const char c : fmt::format("{:.9g},", X.matrix()(k / 4, k % 4)))
      hash = (hash ^ static_cast<unsigned char>(c)) * 1099511628211ULL;
  return hash;
}

}  // namespace

std::string standOf(const EditState& state, const Case& planned, const std::string& plan_key, int ray) {
  constexpr std::uint64_t kStart = 1469598103934665603ULL;
  std::uint64_t all = kStart;
  for (int n = 1; n <= 5; ++n) all = hashOf(state.pose(n, planned), all);
  return fmt::format("{}.{:016x}.{:016x}", plan_key, hashOf(state.pose(ray, planned), kStart), all);
}

bool sameRay(const std::string& stand, const std::string& other) {
  const auto own = stand.rfind('.');
  return own != std::string::npos && other.rfind('.') == own && stand.compare(0, own, other, 0, own) == 0;
}

EditState plannedState(const Case& planned, const std::string& plan_key) {
  EditState state;
  for (const Device& d : planned.fixation.devices)
    state.devices.push_back({d, state.pose(d.ray, planned), false, standOf(state, planned, plan_key, d.ray)});
  return state;
}

bool isDate(const std::string& s) {
  if (s.size() != 10 || s[4] != '-' || s[7] != '-') return false;
  for (const std::size_t i : {0U, 1U, 2U, 3U, 5U, 6U, 8U, 9U})
    if (s[i] < '0' || s[i] > '9') return false;
  const int year = std::stoi(s.substr(0, 4)), month = std::stoi(s.substr(5, 2)), day = std::stoi(s.substr(8, 2));
  const bool leap = (year % 4 == 0 && year % 100 != 0) || year % 400 == 0;
  constexpr std::array<int, 12> kDays{31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31};
  if (year < 1900 || month < 1 || month > 12 || day < 1) return false;
  return day <= kDays[static_cast<std::size_t>(month - 1)] + (month == 2 && leap ? 1 : 0);
}

EditJson mergedBoneEdits(EditJson merged, const EditJson& more) {
  for (const auto& [key, value] : more.items()) {
    if (value.is_array() && merged.contains(key) && merged[key].is_array())
      for (const EditJson& entry : value) merged[key].push_back(entry);
    else
      merged[key] = value;
  }
  return merged;
}

Status checkEdit(const EditState& state, const Case& planned, const std::string& kind, const EditJson& payload) {
  const Fields f(payload, kind);
  if (payload.dump(-1, ' ', false, EditJson::error_handler_t::replace).size() > kMostBytes)
    return wrong("the edit is longer than a megabyte", kind, "Split it.");
  if (kind == "device.set") return checkDeviceSet(f, state);
  if (kind == "device.swap") return checkSwap(f, planned);
  if (kind == "ray.move") return checkRayMove(f, payload, state, planned);
  if (kind == "bones.edit") return checkBoneEdits(f, payload, state, planned);
  if (kind == "measure.add") return checkMeasureAdd(f, payload, state);
  if (kind == "followup.done") return checkFollowupDone(f);
  if (kind == "device.remove") {
    if (Status s = f.only({"id"}); !s) return s;
    return firstError(f.device(state, "id"));
  }
  if (kind == "ray.reset") {
    if (Status s = f.only({"ray"}); !s) return s;
    const auto ray = f.ray();
    if (!ray) return tl::unexpected(ray.error());
    if (!state.poses[static_cast<std::size_t>(*ray - 1)])
      return wrong(fmt::format("the {} ray stands where the plan put it", ordinal(*ray)), kind,
                   "Nothing to go back to.");
    return {};
  }
  if (kind == "measure.remove") {
    if (Status s = f.only({"id"}); !s) return s;
    const auto id = f.id("id");
    if (!id) return tl::unexpected(id.error());
    for (const EditJson& m : state.measures)
      if (m["id"] == *id) return {};
    return wrong(fmt::format("there is no measure {}", *id), kind, "It may have been removed.");
  }
  if (kind == "depth.measured") {
    if (Status s = f.only({"device", "mm"}); !s) return s;
    if (const auto id = f.device(state, "device"); !id) return tl::unexpected(id.error());
    if (f.isNull("mm")) return {};
    return firstError(f.number("mm", 1, 150, " mm"));
  }
  if (kind == "theatre.step") {
    if (Status s = f.only({"step", "done"}); !s) return s;
    return firstError(f.id("step"), f.truth("done"));
  }
  if (kind == "surgery.date") {
    if (Status s = f.only({"date"}); !s) return s;
    if (f.isNull("date")) return {};
    return firstError(f.date("date"));
  }
  if (kind == "case.name" || kind == "case.notes") {
    if (Status s = f.only({"text"}); !s) return s;
    return kind == "case.name" ? firstError(f.text("text", 1, 200)) : firstError(f.text("text", 0, 20000));
  }
  if (kind == "case.hide") {
    if (Status s = f.only({"hidden"}); !s) return s;
    return firstError(f.truth("hidden"));
  }
  return wrong(fmt::format("an unknown kind of edit \"{}\"", kind.substr(0, 60)), "kind",
               "See docs/decisions/workstation.md.");
}

void applyEdit(EditState& state, const Case& planned, const CaseEdit& edit) {
  const std::string& kind = edit.kind;
  const EditJson& p = edit.payload;
  const auto leftOut = [&](const std::string& why) {
    state.cautions.push_back(
        fmt::format("The edit {} ({}) no longer fits this plan and is left out: {}.", edit.seq, kind, why));
  };
  try {
    if (kind == "device.set" || kind == "device.swap") {
      const Status s = kind == "device.set" ? applyDeviceSet(state, planned, p) : applySwap(state, planned, p);
      if (!s) leftOut(s.error().what);
    } else if (kind == "device.remove") {
      const EditedDevice* d = state.device(p.at("id").get<std::string>());
      if (d == nullptr) return leftOut(fmt::format("there is no device {} any more", p.at("id").get<std::string>()));
      state.changed_rays.insert(d->device.ray);
      state.devices.erase(state.devices.begin() + (d - state.devices.data()));
    } else if (kind == "ray.move") {
      if (const Status s = checkEdit(state, planned, kind, p); !s) return leftOut(s.error().what);
      state.poses[p["ray"].get<std::size_t>() - 1] = *rigidFromJson(p["transform"], "transform");
    } else if (kind == "ray.reset") {
      state.poses[p.at("ray").get<std::size_t>() - 1].reset();
    } else if (kind == "bones.edit") {
      state.bone_edits = mergedBoneEdits(std::move(state.bone_edits), p.at("edits"));
    } else if (kind == "measure.add") {
      EditJson m = p;
      m["value"] = rounded(valueOf(p), 2);
      m["unit"] = p.at("kind") == "distance" ? "mm" : "deg";
      state.measures.push_back(std::move(m));
    } else if (kind == "measure.remove") {
      auto& list = state.measures;
      for (auto it = list.begin(); it != list.end(); ++it)
        if ((*it)["id"] == p.at("id")) {
          list.erase(it);
          break;
        }
    } else if (kind == "depth.measured") {
      const std::string id = p.at("device").get<std::string>();
      if (p.at("mm").is_null())
        state.depths.erase(id);
      else if (state.device(id) == nullptr)
        leftOut(fmt::format("there is no device {} any more", id));
      else
        state.depths[id] = p["mm"].get<double>();
    } else if (kind == "theatre.step") {
      const std::string step = p.at("step").get<std::string>();
      if (p.at("done").get<bool>())
        state.steps_done.insert(step);
      else
        state.steps_done.erase(step);
    } else if (kind == "followup.done") {
      const std::string id = p.at("id").get<std::string>();
      if (p.at("date").is_null())
        state.visits.erase(id);
      else
        state.visits[id] = p["date"].get<std::string>();
    } else if (kind == "surgery.date") {
      state.surgery_date = p.at("date").is_null() ? std::string() : p["date"].get<std::string>();
    } else if (kind == "case.name") {
      state.name = p.at("text").get<std::string>();
    } else if (kind == "case.notes") {
      state.notes = p.at("text").get<std::string>();
    } else if (kind == "case.hide") {
      state.hidden = p.at("hidden").get<bool>();
    } else {
      leftOut("this version does not know it");
    }
  } catch (const EditJson::exception& e) {
    leftOut(e.what());
  }
}

}  // namespace rayset
