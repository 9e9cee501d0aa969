#include "workspace/case_state.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "anatomy/part_id.h"
#include "base/units.h"
#include "base/words.h"
#include "case/open_questions.h"
#include "case/plan_record.h"
#include "fixation/check_words.h"
#include "geometry/json.h"
#include "report/words.h"
#include "xray/projection.h"

namespace rayset {
namespace {

using Json = EditJson;
using words::RayState;

// From when on a number is told as worth a look.
constexpr double kUnsureMm = kDisplacedFromMm;
constexpr double kGaugeOffMm = 2;  // one size of screw

const EditedDevice& editedDevice(const StateInput& in, const Device& d) {
  static const EditedDevice kNone;
  const EditedDevice* e = in.edits.device(d.id);
  return e != nullptr ? *e : kNone;
}

std::string rayWords(const RayDisplacement& d) {
  const std::string shift = words::shift(d), turn = words::turn(d);
  if (!d.told)
    return "Cannot be told whether it is displaced. Best estimate: " + words::mm(d.asideMm()) + " out of place" +
           (turn.empty() ? "" : "; " + turn);
  if (!d.displaced)
    return "In place (" + words::mm(d.asideMm()) + " out of it" + (turn.empty() ? "" : "; " + turn) + ")";
  std::string text = shift.empty() ? words::mm(d.asideMm()) + " out of place" : capitalised(shift);
  return text + (turn.empty() ? "" : "; " + turn);
}

/// What about a ray needs a look.
std::vector<std::string> attention(const StateInput& in, const RayReduction& r, const RayDisplacement& d) {
  const Case& c = in.edited;
  std::vector<std::string> out;
  for (const Bone b : {metatarsal(r.ray), tarsalPartner(r.ray)}) {
    const auto bone = c.bones.find(b);
    if (bone == c.bones.end())
      out.push_back(fmt::format("{} was not found", boneId(b)));
    else if (bone->second.confidence < kDoubtful)
      out.push_back(
          fmt::format("{} may be wrong{}", boneId(b), bone->second.doubt.empty() ? "" : ": " + bone->second.doubt));
  }
  if (!d.told && !r.doubt.empty()) out.push_back(capitalised(r.doubt));
  if (r.by_hand) {
    out.emplace_back("Placed by hand");
  } else if (r.uncertainty_mm > kUnsureMm) {
    out.push_back(fmt::format("Its place is known to {:.1f} mm only", r.uncertainty_mm));
  }
  if (!r.by_hand && d.told && std::abs(d.asideMm() - kDisplacedFromMm) < r.uncertainty_mm)
    out.push_back(fmt::format("{:.1f} mm out of place, within its uncertainty of the limit of {:.0f} mm", d.asideMm(),
                              kDisplacedFromMm));
  if (r.joint.overlap_mm > kOverlapToldFromMm)
    out.push_back(fmt::format("The bones of its joint overlap by {:.1f} mm", r.joint.overlap_mm));
  if (const auto step = dorsalStepLeft(r)) out.push_back(fmt::format("A dorsal step of {:.1f} mm is left", *step));
  if (r.ray == 2)
    for (const auto& [id, f] : c.fragments)
      out.push_back(f.fit.doubt.empty() ? fmt::format("Fragment {}", id)
                                        : fmt::format("Fragment {}: {}", id, f.fit.doubt));
  bool held = false;
  for (const Device& device : c.fixation.devices) {
    if (device.ray != r.ray) continue;
    held = held || (device.stage == DeviceStage::kDefinitive && !isFragmentId(device.through.front()));
    const auto reasons = deviceReasons(in.checker, device, c.fixation.devices);
    if (!reasons.empty()) out.push_back(device.id + ": " + reasons.front());
    if (const auto depth = in.edits.depths.find(device.id);
        depth != in.edits.depths.end() && std::abs(depth->second - device.measured_depth_mm) > kGaugeOffMm)
      out.push_back(fmt::format("{}: the gauge read {:g} mm, {:.1f} mm were expected", device.id, depth->second,
                                device.measured_depth_mm));
  }
  if (!held) out.emplace_back("No definitive device holds it");
  return out;
}

Json matrixOrNull(const std::optional<Rigid>& X) { return X ? rigidJson(*X) : Json(nullptr); }

Json bodiesJson(const Case& c) {
  Json out = Json::array();
  const auto body = [&](const std::string& id, std::string name, std::optional<Ray> ray, std::optional<Rigid> X,
                        const SegmentedBone& b) {
    out.push_back({{"id", id},
                   {"name", std::move(name)},
                   {"ray", ray ? Json(*ray) : Json(nullptr)},
                   {"injured_to_reduced", matrixOrNull(X)},
                   {"confidence", rounded(b.confidence, 3)},
                   {"doubt", b.doubt},
                   {"by_hand", b.by_hand}});
  };
  for (const auto& [bone, b] : c.bones) {
    const auto ray = rayOf(bone);
    std::optional<Rigid> X;
    if (const RayReduction* r = ray ? find(c.reduction.rays, *ray) : nullptr) X = r->injured_to_reduced;
    body(std::string(boneId(bone)), std::string(boneName(bone)), ray, X, b);
  }
  for (const auto& [id, f] : c.fragments)
    body(id, "fragment of the second metatarsal", Ray(2), f.injured_to_reduced, f.bone);
  return out;
}

/// By the ray's number, base to head, where the bones belong.
Json axesJson(const words::KnownAxes& axes) {
  Json out = Json::object();
  for (const auto& [bone, axis] : axes)
    out[fmt::format("{}", *rayOf(bone))] = {{"base", pointJson(axis.base_centre, 3)},
                                            {"head", pointJson(axis.head_centre, 3)}};
  return out;
}

Json cautionsJson(const std::vector<words::Caution>& cautions) {
  Json out = Json::array();
  for (const words::Caution& k : cautions) out.push_back({{"text", k.text}, {"source", k.source}});
  return out;
}

Json openQuestionsJson(const Case& c) {
  Json out = Json::array();
  for (const OpenQuestion& q : openQuestions(c)) {
    Json remedies = Json::array(), bones = Json::array();
    for (const Remedy r : q.remedies)
      remedies.push_back(r == Remedy::kOtherFoot     ? "other foot"
                         : r == Remedy::kFilm        ? "film"
                         : r == Remedy::kPlaceByHand ? "place by hand"
                                                     : "correct bones");
    for (const Bone b : q.bones) bones.push_back(boneId(b));
    out.push_back({{"ray", q.ray ? Json(*q.ray) : Json(nullptr)},
                   {"bones", bones},
                   {"what", q.what},
                   {"settle", q.settle},
                   {"remedies", remedies}});
  }
  return out;
}

Json viewJson(NamedView view) {
  const TubePose tube = tubePose(view);
  return {{"name", wordOf(view)},
          {"orbital", rounded(toDegrees(tube.orbital_rad), 3)},
          {"tilt", rounded(toDegrees(tube.tilt_rad), 3)}};
}

/// The instruments of the catalogue that serve an implant, else what its sizes ask for.
std::string instrumentsFor(const Case& c, const Device& d) {
  std::vector<std::string> names;
  for (const InstrumentType& tool : c.catalogue.instruments)
    if (std::find(tool.for_implants.begin(), tool.for_implants.end(), d.type) != tool.for_implants.end())
      names.push_back(tool.name);
  if (d.kind == DeviceKind::kScrew) {
    names.emplace_back("screwdriver");
  } else if (names.empty()) {
    names.emplace_back("wire driver, wire cutter and bender");
  }
  return listed(names);
}

Json stepsJson(const StateInput& in) {
  const Case& c = in.edited;
  Json out = Json::array();
  for (const words::Step& s : words::steps(c, in.axes)) {
    Json j{{"id", s.id},
           {"title", s.title},
           {"lines", s.lines},
           {"ray", nullptr},
           {"device", nullptr},
           {"instrument", nullptr},
           {"expected_mm", nullptr},
           {"view", nullptr},
           {"picture", nullptr},
           {"done", in.edits.steps_done.contains(s.id)}};
    std::string picture;
    if (s.ray) {
      j["ray"] = *s.ray;
      j["view"] = viewJson(*s.ray <= 2 ? NamedView::kDorsoplantar20 : NamedView::kOblique30);
      if (s.device.empty()) j["instrument"] = "pointed reduction forceps";
      // Pictures show the plan: they would mislead where the ray or its devices were changed by hand.
      if (!in.edits.poses.contains(*s.ray) && !in.edits.changed_rays.contains(*s.ray))
        picture = fmt::format("pictures/ray{}_{}.png", *s.ray, s.device.empty() ? "dorsal" : "side");
    } else if (s.id == "finish") {
      j["view"] = viewJson(NamedView::kLateral);
      if (in.edits.changed_rays.empty() && in.edits.poses.empty()) picture = "pictures/film_lateral_metal.png";
    }
    for (const Device& d : c.fixation.devices)
      if (d.id == s.device) {
        j["device"] = d.id;
        j["instrument"] = instrumentsFor(c, d);
        j["expected_mm"] = rounded(d.kind == DeviceKind::kScrew ? d.measured_depth_mm : d.length_mm, 1);
      }
    std::error_code none;
    if (!picture.empty() && std::filesystem::exists(in.folder / picture, none)) j["picture"] = picture;
    out.push_back(std::move(j));
  }
  return out;
}

}  // namespace

std::vector<std::string> deviceReasons(const DeviceChecker& checker, const Device& device,
                                       const std::vector<Device>& all) {
  Device d = device;
  const auto near = checker.nearest(d, all);
  d.checks.nearest_device_mm = near.mm;
  std::vector<std::string> out = failedChecks(d, checker.settings(), near.id);
  for (std::string& text : out) text = capitalised(std::move(text));
  return out;
}

EditJson deviceStateJson(const StateInput& in, const Device& d, const std::vector<Device>& all, bool by_hand) {
  const Case& c = in.edited;
  Json j = deviceJson(d);
  const ImplantType* type = c.catalogue.find(d.type);
  j["name"] = words::implantName(c, d);
  j["by_hand"] = by_hand;
  j["entry_words"] = words::entry(c, d, in.axes);
  j["direction_words"] = words::direction(c, d);
  j["head_mm"] = type != nullptr ? type->head_diameter_mm : 0;
  const auto reasons = deviceReasons(in.checker, d, all);
  if (!d.checks.failure.empty()) j["checks"] = nullptr;
  j["margin_wanted_mm"] = rounded(marginWanted(d, in.checker.settings()), 2);
  j["ok"] = reasons.empty();
  j["reasons"] = reasons;
  j["remarks"] = remarksOn(d, in.checker.hasImage());
  j["lengths_mm"] = type != nullptr && !traits(type->kind).cut_to_length ? Json(type->lengths_mm) : Json::array();
  const auto depth = in.edits.depths.find(d.id);
  j["measured_mm"] = depth != in.edits.depths.end() ? Json(depth->second) : Json(nullptr);
  return j;
}

EditJson rayStateJson(const StateInput& in, const RayReduction& r, const RayDisplacement& d) {
  const RayReduction& planned = in.planned.reduction.rays.at(r.ray);
  return {{"ray", r.ray},
          {"state", words::word(words::state(d))},
          {"shift_mm",
           {{"lateral", rounded(d.lateral_mm, 3)},
            {"dorsal", rounded(d.dorsal_mm, 3)},
            {"distal", rounded(d.distal_mm, 3)}}},
          {"turn_deg",
           {{"abduction", rounded(toDegrees(d.abduction_rad), 3)},
            {"plantarflexion", rounded(toDegrees(d.plantarflexion_rad), 3)},
            {"pronation", rounded(toDegrees(d.pronation_rad), 3)}}},
          {"words", rayWords(d)},
          {"by_hand", r.by_hand},
          {"transform", rigidJson(r.injured_to_reduced)},
          {"planned_transform", rigidJson(planned.injured_to_reduced)},
          {"uncertainty", uncertaintyJson(r)},
          {"joint", jointJson(r.joint)},
          {"manoeuvre", r.manoeuvre},
          {"attention", attention(in, r, d)}};
}

EditJson stateJson(const StateInput& in) {
  const Case& c = in.edited;
  Json plan = planJson(c);
  plan["axis"] = axesJson(in.axes);
  plan["bodies"] = bodiesJson(c);
  plan["rays"] = Json::array();
  for (const Ray ray : kRays) {
    const RayReduction* r = find(c.reduction.rays, ray);
    const RayDisplacement* d = find(c.rays, ray);
    if (r != nullptr && d != nullptr) {
      plan["rays"].push_back(rayStateJson(in, *r, *d));
      continue;
    }
    Json attention = Json::array({"Not judged: a bone of it was not found"});
    plan["rays"].push_back({{"ray", ray},
                            {"state", words::word(RayState::kUnknown)},
                            {"shift_mm", nullptr},
                            {"turn_deg", nullptr},
                            {"words", capitalised(words::word(RayState::kUnknown))},
                            {"by_hand", false},
                            {"transform", nullptr},
                            {"planned_transform", nullptr},
                            {"uncertainty", nullptr},
                            {"joint", nullptr},
                            {"manoeuvre", Json::array()},
                            {"attention", attention}});
  }
  plan["devices"] = Json::array();
  for (const Device& d : c.fixation.devices)
    plan["devices"].push_back(deviceStateJson(in, d, c.fixation.devices, editedDevice(in, d).by_hand));
  plan["patterns"] = plan["injury"]["patterns"];
  plan["measures"] = plan["injury"]["measures"];
  plan["measures_reduced"] = plan["reduction"]["measures"];
  plan["patterns"]["columns_words"] = words::columns(c);
  plan["open_questions"] = openQuestionsJson(c);
  plan["cautions"] = cautionsJson(words::caseCautions(c));
  plan["standing_cautions"] = cautionsJson(words::standingCautions(c));

  Json visits = Json::object();
  for (const auto& [id, date] : in.edits.visits) visits[id] = date;
  Json state;
  if (!in.edits.name.empty()) state["name"] = in.edits.name;
  state["notes"] = in.edits.notes;
  state["hidden"] = in.edits.hidden;
  state["stale"] = boneEditsWait(in.planned.edits ? in.planned.edits->source : Json(nullptr), in.edits.bone_edits);
  state["edits"] = in.edits.bone_edits;
  state["plan"] = std::move(plan);
  state["theatre"] = {{"steps", stepsJson(in)}, {"instruments", words::instruments(c)}};
  state["followup"] = {{"surgery_date", in.edits.surgery_date.empty() ? Json(nullptr) : Json(in.edits.surgery_date)},
                       {"done", visits}};
  state["measures_drawn"] = in.edits.measures;
  state["cautions"] = in.edits.cautions;
  return state;
}

std::vector<StepTitle> stepTitles(const EditJson& state) {
  std::vector<StepTitle> out;
  for (const Json& s : state.at("theatre").at("steps"))
    out.push_back({s.at("id").get<std::string>(), s.at("title").get<std::string>()});
  return out;
}

}  // namespace rayset
