#include "outcome/film_check.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <tuple>

#include "anatomy/frames.h"
#include "base/units.h"
#include "geometry/json.h"
#include "injury/limits.h"

namespace rayset {
namespace {

constexpr double kTwoSided95 = 1.96;
// A device counts as planned up to here: ours, the size of the plan's own wanted margins.
constexpr double kDeviceOffMm = 2.0, kDeviceTurnDeg = 5.0;

std::string directionWords(const Vec3& d, const Frame& f) {
  const Vec3 c = f.components(d).cwiseAbs();  // medial, distal, dorsal
  const std::array<const char*, 3> words{"from medial to lateral", "along the ray", "from dorsal to plantar"};
  int most = 0;
  c.maxCoeff(&most);
  int second = -1;
  for (int k = 0; k < 3; ++k)
    if (k != most && c[k] > 0.5 && (second < 0 || c[k] > c[second])) second = k;
  std::string text = words[static_cast<std::size_t>(most)];
  if (second >= 0) text += std::string(" and ") + words[static_cast<std::size_t>(second)];
  return text;
}

double limitOf(std::string_view key, double otherwise) {
  const auto& limits = Limits::shipped();
  if (!limits) return otherwise;
  const Limit* l = limits->find(key);
  return l != nullptr ? l->value : otherwise;
}

NamedView nominalView(FilmView view) {
  switch (view) {
    case FilmView::kDorsoplantar:
      return NamedView::kDorsoplantar15;
    case FilmView::kOblique:
      return NamedView::kOblique30;
    case FilmView::kLateral:
      break;
  }
  return NamedView::kLateral;
}

Outcome worse(Outcome a, Outcome b) { return static_cast<int>(a) > static_cast<int>(b) ? a : b; }

/// From poses against the tarsus to verdicts.
void judge(const PlanRecord& plan, const Catalogue& catalogue, Verification& v) {
  const double anatomical = limitOf("anatomical_displacement", 1), acceptable = limitOf("acceptable_displacement", 2);
  const double angle_limit = limitOf("talometatarsal_angle", 15);
  BoneSurfaces found = plan.reduced;
  for (const RayOutcome& r : v.rays) {
    if (r.ray == 0) continue;
    Surface& bone = found.at(metatarsal(r.ray));
    bone = transformed(bone, r.planned_to_found);
  }
  v.measures = ctMeasures(found, plan.side, plan.frame);
  double angle = 0;
  for (const Measure& m : v.measures)
    if (m.key == "talo_m1_lateral") angle = std::abs(m.value);

  v.verdict = Outcome::kAnatomical;
  v.sure = true;
  bool any = false;
  for (RayOutcome& r : v.rays) {
    if (r.ray == 0) {
      v.partial = true;
      continue;
    }
    any = true;
    const Vec3 base = basePoint(plan.reduced.at(metatarsal(r.ray)), plan.frame.distal);
    r.off = displacement(r.ray, r.planned_to_found, base, plan.frame);
    r.shift_mm = (r.planned_to_found * base - base).norm();
    r.turn_rad = rotationAngle(r.planned_to_found.linear());
    const auto band = [&](double shift) {
      if (shift <= anatomical) return Outcome::kAnatomical;
      return shift < acceptable ? Outcome::kAcceptable : Outcome::kNotReduced;
    };
    r.verdict = band(r.shift_mm);
    if (r.ray == 1 && angle >= angle_limit) r.verdict = Outcome::kNotReduced;
    r.sure =
        band(std::max(0.0, r.shift_mm - r.shift_95_mm)) == r.verdict && band(r.shift_mm + r.shift_95_mm) == r.verdict;
    v.verdict = worse(v.verdict, r.verdict);
    v.sure = v.sure && r.sure;
  }
  if (!any) {
    v.verdict = Outcome::kUnknown;
    v.sure = false;
  }

  // Metal as it lies, in the bones as they lie.
  ConstructInput input;
  input.reduced = &found;
  input.side = plan.side;
  input.frame = plan.frame;
  for (const auto& [id, surface] : plan.fragments) {
    const auto ray = std::find_if(v.rays.begin(), v.rays.end(), [](const RayOutcome& r) { return r.ray == 2; });
    input.fragments[id] = ray != v.rays.end() ? transformed(surface, ray->planned_to_found) : surface;
  }
  std::vector<Device> as_found;
  for (const DeviceOutcome& d : v.devices) {
    const Device* planned = plan.device(d.id);
    if (planned == nullptr || !d.seen) continue;
    Device device = *planned;
    device.entry = d.entry;
    device.tip = d.tip;
    device.direction = (d.tip - d.entry).normalized();
    as_found.push_back(std::move(device));
  }
  for (DeviceOutcome& d : v.devices) {
    if (!d.seen) {
      v.partial = true;
      d.warnings.push_back("not found on the images");
      continue;
    }
    const auto device = std::find_if(as_found.begin(), as_found.end(), [&](const Device& a) { return a.id == d.id; });
    if (d.tip_off_mm > kDeviceOffMm || d.entry_off_mm > kDeviceOffMm || toDegrees(d.axis_off_rad) > kDeviceTurnDeg)
      d.warnings.push_back(
          fmt::format("lies otherwise than planned: entry {:.1f} mm, tip {:.1f} mm, axis {:.0f} degrees",
                      d.entry_off_mm, d.tip_off_mm, toDegrees(d.axis_off_rad)));
    const auto checks = checkDevice(input, *device, as_found, catalogue);
    if (!checks) {
      d.warnings.push_back("could not be checked against the bones: " + checks.error().what);
      continue;
    }
    d.checks = *checks;
    if (!checks->other_bones.empty()) {
      std::string bones;
      for (const std::string& b : checks->other_bones) bones += (bones.empty() ? "" : ", ") + b;
      d.warnings.push_back("enters a bone it was not planned for: " + bones);
    }
    if (checks->inside_fraction < 0.98)
      d.warnings.push_back(fmt::format("{:.0f} % of it lies inside the bones planned", 100 * checks->inside_fraction));
    if (device->kind == "screw" && checks->tip_beyond_cortex_mm > kDeviceOffMm)
      d.warnings.push_back(fmt::format("stands {:.1f} mm beyond the far cortex", checks->tip_beyond_cortex_mm));
  }
}

}  // namespace

std::string_view wordOf(Outcome outcome) {
  switch (outcome) {
    case Outcome::kAnatomical:
      return "anatomical";
    case Outcome::kAcceptable:
      return "acceptable";
    case Outcome::kNotReduced:
      return "not reduced";
    case Outcome::kUnknown:
      break;
  }
  return "not known";
}

Result<CheckedFilm> checkedFilm(FilmScan scan, const std::string& word) {
  CheckedFilm out;
  const FilmInfo& info = scan.info;
  if (!word.empty()) {
    auto tube = tubeFromWord(word);
    if (!tube) return tl::unexpected(tube.error());
    std::tie(out.tube, out.view) = *tube;
  } else if (info.view) {
    out.tube = tubePose(nominalView(*info.view));
    out.view = describe(nominalView(*info.view)) + " (taken from " + info.view_from + ")";
  } else {
    return fail(Fault::kImages, "nothing tells which view the film is", info.file + ", View Position (0018,5101)",
                "Say it with --views, one word a film in the order of the films.");
  }
  if (info.source_detector_mm && word.find("sid=") == std::string::npos) out.tube.sid_mm = *info.source_detector_mm;
  if (info.source_detector_mm && info.source_patient_mm && *info.source_detector_mm > *info.source_patient_mm)
    out.tube.oid_mm = *info.source_detector_mm - *info.source_patient_mm;
  if (!info.spacing.known())
    return fail(Fault::kImages, "the film does not tell the size of its pixels",
                info.file + ", Imager Pixel Spacing (0018,1164)",
                "Export it with its spacing: a check in millimetres is not possible without.");
  if (std::abs(info.spacing.column_mm / info.spacing.row_mm - 1) > 0.01)
    return fail(Fault::kImages, "the film's pixels are not square", info.file + ", Imager Pixel Spacing (0018,1164)",
                "Export it with square pixels.");
  out.pixel_mm = info.spacing.column_mm;
  using Origin = FilmSpacing::Origin;
  const Origin o = info.spacing.origin;
  if (o != Origin::kDetector && o != Origin::kScanned &&
      o != Origin::kUnstated)  // told at the foot, not at the detector
    out.pixel_mm *= out.tube.sid_mm / (out.tube.sid_mm - out.tube.oid_mm);
  out.tube.pixel_mm = out.pixel_mm;
  out.tube.width_mm = out.pixel_mm * scan.film.columns;
  out.tube.height_mm = out.pixel_mm * scan.film.rows;
  out.scan = std::move(scan);
  return out;
}

Result<Verification> checkFilms(const FilmCheckInput& input, const Progress& progress) {
  const PlanRecord& plan = *input.plan;
  if (input.films.size() < 2)
    return fail(Fault::kRequest, "one film cannot tell where a bone lies along its beam", "--films",
                "Give two films, taken from clearly different sides (dorsoplantar and lateral).");
  Verification v;
  FilmRegistrationInput registration;
  registration.bodies = input.bodies;
  registration.injured_to_planned = plan.injured_to_reduced;
  const PlantarFrame plate = plantarFrame(plan.reduced, plan.frame, plan.side);
  if (plate.assumed)
    v.cautions.push_back(
        "The sole was not in the CT; the second ray is taken to slope by 20 degrees in the films' views.");
  for (const CheckedFilm& f : input.films) {
    const FilmInfo& info = f.scan.info;
    if (!info.patient_id.empty() && !plan.patient_id.empty() && info.patient_id != plan.patient_id)
      return fail(
          Fault::kRequest,
          fmt::format("the film belongs to another patient ({}, the plan is for {})", info.patient_id, plan.patient_id),
          info.file + ", Patient ID (0010,0020)", "Give the films of the patient of the plan.");
    if (info.side && *info.side != plan.side)
      return fail(
          Fault::kRequest,
          fmt::format("the film shows the {} foot, the plan is for the {} foot",
                      *info.side == Side::kRight ? "right" : "left", plan.side == Side::kRight ? "right" : "left"),
          info.file + ", Image Laterality (0020,0062)", "Give the films of the foot of the plan.");
    for (const std::string& text : f.scan.cautions) v.cautions.push_back(info.file + ": " + text);
    auto view = projectionView(plate, f.tube);
    if (!view) return tl::unexpected(view.error());
    FilmExposure e;
    e.name = info.file;
    e.film = f.scan.film;
    e.view = *view;
    e.view.columns = e.film.columns;
    e.view.rows = e.film.rows;
    if (info.field.origin != FilmField::Origin::kWhole) {
      e.column = info.field.left;
      e.row = info.field.top;
      e.columns = info.field.right - info.field.left;
      e.rows = info.field.bottom - info.field.top;
    }
    registration.films.push_back(std::move(e));
  }
  double apart = 0;
  for (std::size_t a = 0; a < registration.films.size(); ++a)
    for (std::size_t b = 0; b < a; ++b)
      apart = std::max(
          apart,
          std::acos(std::clamp(std::abs(registration.films[a].view.normal().dot(registration.films[b].view.normal())),
                               0.0, 1.0)));
  if (apart < toRadians(20))
    return fail(Fault::kRequest, fmt::format("the films' views are only {:.0f} degrees apart", toDegrees(apart)),
                "--films", "Give two films taken from clearly different sides (dorsoplantar and lateral).");
  if (apart < toRadians(50))
    v.cautions.push_back(fmt::format(
        "The films' views are only {:.0f} degrees apart: positions along the beams are uncertain.", toDegrees(apart)));
  for (const Device& d : plan.devices)
    if (input.temporary || d.stage == "definitive")
      registration.metal.push_back({d.id, d.entry, d.tip, metalSolid(d, *input.catalogue)});

  auto found = registerFilms(registration, {}, progress);
  if (!found) return tl::unexpected(found.error());
  for (std::size_t n = 0; n < input.films.size(); ++n) {
    const FoundFilm& f = found->films[n];
    v.films.push_back(
        {input.films[n].scan.info.file, input.films[n].view, f.similarity, f.shift_mm, f.turn_rad, f.view});
  }
  for (int ray = 1; ray <= 5; ++ray) {
    const std::string id(boneId(metatarsal(ray)));
    const auto body =
        std::find_if(found->bodies.begin(), found->bodies.end(), [&](const FoundBody& b) { return b.id == id; });
    if (body == found->bodies.end() || !plan.reduced.contains(metatarsal(ray))) continue;
    RayOutcome& r = v.rays[static_cast<std::size_t>(ray - 1)];
    if (body->similarity < kMatchedSimilarity) {
      v.cautions.push_back(fmt::format("The {} metatarsal was not found on the films (similarity {:.2f}).",
                                       ordinal(ray), body->similarity));
      continue;
    }
    r.ray = ray;
    r.planned_to_found = body->planned_to_found;
    r.similarity = body->similarity;
    const Vec3 base = body->planned_to_found * basePoint(plan.reduced.at(metatarsal(ray)), plan.frame.distal);
    const LeastCertain shift =
        leastCertain(pointCovariance(body->covariance, body->planned_to_found * body->centre, base));
    r.shift_95_mm = kTwoSided95 * shift.sd;
    r.weakest = shift.direction;
    r.turn_95_rad = kTwoSided95 * leastCertain(body->covariance.topLeftCorner<3, 3>()).sd;
    r.weakest_words = directionWords(r.weakest, plan.frame);
  }
  for (const FoundDevice& d : found->devices) {
    const Device& planned = *plan.device(d.id);
    DeviceOutcome out;
    out.id = d.id;
    out.seen = d.seen;
    out.entry = d.entry;
    out.tip = d.tip;
    out.entry_off_mm = (d.entry - planned.entry).norm();
    out.tip_off_mm = (d.tip - planned.tip).norm();
    out.axis_off_rad = std::acos(std::clamp((d.tip - d.entry).normalized().dot(planned.direction), -1.0, 1.0));
    out.entry_95_mm = kTwoSided95 * d.entry_sd_mm;
    out.tip_95_mm = kTwoSided95 * d.tip_sd_mm;
    out.axis_95_rad = kTwoSided95 * d.axis_sd_rad;
    v.devices.push_back(std::move(out));
  }
  v.cautions.emplace_back(
      "A ray left several millimetres off can be taken for its neighbour where their shafts lie over each other on a "
      "film: look at the films themselves, and add an oblique one where the second to fourth rays overlap.");
  if (progress.cancelled()) return cancelledError();
  judge(plan, *input.catalogue, v);
  return v;
}

nlohmann::ordered_json verificationJson(const PlanRecord& plan, const Verification& v) {
  using Json = nlohmann::ordered_json;
  Json j;
  j["schema"] = "rayset.verification/1";
  j["side"] = plan.side == Side::kRight ? "right" : "left";
  j["patient_id"] = plan.patient_id;
  j["verdict"] = wordOf(v.verdict);
  j["sure"] = v.sure;
  j["films"] = Json::array();
  for (const FilmOutcome& f : v.films)
    j["films"].push_back(
        {{"file", f.file},
         {"view", f.view},
         {"similarity", rounded(f.similarity, 3)},
         {"from_nominal", {{"mm", rounded(f.shift_mm, 1)}, {"deg", rounded(toDegrees(f.turn_rad), 1)}}},
         {"source", pointJson(f.exposed.source, 2)},
         {"detector", pointJson(f.exposed.detector, 2)},
         {"right", pointJson(f.exposed.right, 6)},
         {"down", pointJson(f.exposed.down, 6)},
         {"pixel_mm", rounded(f.exposed.pixel_mm, 5)}});
  j["rays"] = Json::array();
  for (const RayOutcome& r : v.rays) {
    if (r.ray == 0) continue;
    j["rays"].push_back({{"ray", r.ray},
                         {"verdict", wordOf(r.verdict)},
                         {"sure", r.sure},
                         {"planned_to_found", rigidJson(r.planned_to_found)},
                         {"shift_mm",
                          {{"total", rounded(r.shift_mm, 2)},
                           {"lateral", rounded(r.off.lateral_mm, 2)},
                           {"dorsal", rounded(r.off.dorsal_mm, 2)},
                           {"distal", rounded(r.off.distal_mm, 2)}}},
                         {"turn_deg",
                          {{"total", rounded(toDegrees(r.turn_rad), 2)},
                           {"abduction", rounded(toDegrees(r.off.abduction_rad), 2)},
                           {"plantarflexion", rounded(toDegrees(r.off.plantarflexion_rad), 2)},
                           {"pronation", rounded(toDegrees(r.off.pronation_rad), 2)}}},
                         {"uncertainty",
                          {{"mm", rounded(r.shift_95_mm, 2)},
                           {"deg", rounded(toDegrees(r.turn_95_rad), 2)},
                           {"weakest", pointJson(r.weakest, 4)},
                           {"weakest_words", r.weakest_words}}},
                         {"similarity", rounded(r.similarity, 3)}});
  }
  j["devices"] = Json::array();
  for (const DeviceOutcome& d : v.devices) {
    Json device{{"id", d.id}, {"seen", d.seen}};
    if (d.seen) {
      device["entry"] = pointJson(d.entry, 2);
      device["tip"] = pointJson(d.tip, 2);
      device["from_plan"] = {{"entry_mm", rounded(d.entry_off_mm, 2)},
                             {"tip_mm", rounded(d.tip_off_mm, 2)},
                             {"axis_deg", rounded(toDegrees(d.axis_off_rad), 2)}};
      device["uncertainty"] = {{"entry_mm", rounded(d.entry_95_mm, 2)},
                               {"tip_mm", rounded(d.tip_95_mm, 2)},
                               {"axis_deg", rounded(toDegrees(d.axis_95_rad), 2)}};
      device["checks"] = {{"inside_fraction", rounded(d.checks.inside_fraction, 3)},
                          {"cortex_margin_mm", rounded(d.checks.cortex_margin_mm, 2)},
                          {"tip_beyond_cortex_mm", rounded(d.checks.tip_beyond_cortex_mm, 2)},
                          {"other_bones", d.checks.other_bones}};
    }
    device["warnings"] = d.warnings;
    j["devices"].push_back(device);
  }
  j["measures"] = Json::array();
  for (const Measure& m : v.measures)
    j["measures"].push_back({{"key", m.key}, {"name", m.name}, {"value", rounded(m.value, 2)}, {"unit", m.unit}});
  j["cautions"] = v.cautions;
  return j;
}

}  // namespace rayset
