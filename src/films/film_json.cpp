#include <cmath>

#include "films/film_reading.h"
#include "geometry/json.h"
#include "geometry/side.h"

namespace rayset {
namespace {

using Json = nlohmann::ordered_json;

Json pixel(const Vec2& p) { return Json::array({rounded(p.x(), 2), rounded(p.y(), 2)}); }
template <class T>
Json orNull(const std::optional<T>& value) {
  return value ? Json(*value) : Json();
}
Json number(const std::optional<double>& value, int digits = 2) {
  return value ? Json(rounded(*value, digits)) : Json();
}

const char* originWord(FilmSpacing::Origin origin) {
  using Origin = FilmSpacing::Origin;
  switch (origin) {
    case Origin::kNone:
      return "none";
    case Origin::kFiducial:
      return "fiducial";
    case Origin::kGeometry:
      return "geometry";
    case Origin::kCalibrated:
      return "calibrated";
    case Origin::kMagnification:
      return "magnification";
    case Origin::kDetector:
      return "detector";
    case Origin::kScanned:
      return "scanned";
    case Origin::kUnstated:
      return "unstated";
    case Origin::kByHand:
      return "by_hand";
  }
  return "none";
}

Json filmEntry(const MeasuredFilm& f) {
  const FilmInfo& i = f.scan.info;
  Json j{{"file", i.file},
         {"kind", nameOf(i.kind)},
         {"frame", i.frame},
         {"columns", f.scan.film.columns},
         {"rows", f.scan.film.rows},
         {"instance_uid", i.instance_uid},
         {"study_date", i.study_date},
         {"view", wordOf(f.view)},
         {"view_in_header", i.view ? Json(wordOf(*i.view)) : Json()},
         {"weight_bearing", orNull(f.weight_bearing)},
         {"mirrored", f.mirrored},
         {"simulated", i.quality_control}};
  j["spacing"] = {{"origin", originWord(f.spacing.origin)},
                  {"column_mm", f.spacing.known() ? Json(rounded(f.spacing.column_mm, 6)) : Json()},
                  {"row_mm", f.spacing.known() ? Json(rounded(f.spacing.row_mm, 6)) : Json()},
                  {"uncertainty_percent", f.spacing.known() ? Json(rounded(100 * f.spacing.relative_95, 1)) : Json()},
                  {"too_large", f.spacing.too_large},
                  {"from", f.spacing.text}};
  j["field"] = {{"found", i.field.origin == FilmField::Origin::kWhole    ? "whole picture"
                          : i.field.origin == FilmField::Origin::kHeader ? "header"
                                                                         : "picture"},
                {"columns", {i.field.left, i.field.right}},
                {"rows", {i.field.top, i.field.bottom}}};
  j["feet"] = Json::array();
  for (const MeasuredFoot& foot : f.feet) {
    Json landmarks = Json::array();
    for (const PlacedLandmark& l : foot.landmarks)
      landmarks.push_back({{"name", l.name},
                           {"given", pixel(l.given)},
                           {"used", pixel(l.used)},
                           {"snapped", l.snapped},
                           {"moved_mm", f.spacing.known() && l.snapped ? Json(rounded(l.moved_mm, 3)) : Json()}});
    j["feet"].push_back({{"side", sideWord(foot.side)}, {"landmarks", landmarks}, {"cautions", foot.cautions}});
  }
  j["cautions"] = f.cautions;
  return j;
}

Json measureEntry(const FilmMeasure& m) {
  Json j{{"key", m.key},
         {"name", m.name},
         {"side", sideWord(m.side)},
         {"view", wordOf(m.view)},
         {"film", m.film},
         {"value", rounded(m.value, 2)},
         {"unit", m.unit},
         {"uncertainty", rounded(m.uncertainty, 2)},
         {"other_side", number(m.other)},
         {"difference", number(m.difference)},
         {"difference_uncertainty", number(m.difference_uncertainty)},
         {"abnormal", orNull(m.abnormal)},
         {"borderline", m.borderline},
         {"definition", m.definition},
         {"note", m.note}};
  j["limits"] = Json::array();
  for (const AppliedLimit& a : m.limits)
    j["limits"].push_back({{"key", a.key},
                           {"value", a.value},
                           {"unit", a.unit},
                           {"abnormal_if", a.words},
                           {"on_difference", a.on_difference},
                           {"exceeded", a.exceeded},
                           {"borderline", a.borderline},
                           {"decides", a.decides},
                           {"applies_to", a.applies_to},
                           {"source", a.source},
                           {"certainty", a.certainty},
                           {"contradiction", a.contradiction}});
  j["lines"] = Json::array();
  for (const FilmLine& l : m.lines)
    j["lines"].push_back({{"kind", l.kind == FilmLine::Kind::kMeasure ? "measure"
                                   : l.kind == FilmLine::Kind::kAxis  ? "axis"
                                                                      : "border"},
                          {"from", pixel(l.from)},
                          {"to", pixel(l.to)}});
  return j;
}

}  // namespace

Json filmJson(const FilmReading& r) {
  Json j{{"schema", "rayset.film/1"},
         {"statement", "It advises; a licensed surgeon decides. Not a medical device."},
         {"injured", sideWord(r.injured)}};
  FilmInfo patient;
  for (const MeasuredFilm& f : r.films) {  // the same person: what one film leaves out another may tell
    const FilmInfo& i = f.scan.info;
    for (auto field :
         {&FilmInfo::patient_name, &FilmInfo::patient_id, &FilmInfo::patient_sex, &FilmInfo::patient_birth_date})
      if ((patient.*field).empty()) patient.*field = i.*field;
  }
  j["patient"] = {{"name", patient.patient_name},
                  {"id", patient.patient_id},
                  {"sex", patient.patient_sex},
                  {"birth_date", patient.patient_birth_date}};
  j["films"] = Json::array();
  for (const MeasuredFilm& f : r.films) j["films"].push_back(filmEntry(f));
  j["measures"] = Json::array();
  for (const FilmMeasure& m : r.measures) j["measures"].push_back(measureEntry(m));
  j["other_foot"] = Json::array();
  for (const FilmMeasure& m : r.other_measures) j["other_foot"].push_back(measureEntry(m));
  j["flecks"] = Json::array();
  for (const FleckFinding& f : r.flecks) {
    Json outline = Json::array();
    for (const Vec2& p : f.outline) outline.push_back(pixel(p));
    j["flecks"].push_back({{"side", sideWord(f.side)},
                           {"film", f.film},
                           {"outline", outline},
                           {"size_mm", number(f.size_mm, 1)},
                           {"area_mm2", number(f.area_mm2, 1)},
                           {"in_c1_m2_interval", orNull(f.in_interval)}});
  }
  j["nunley_vertullo"] = {{"stage", r.stage.value}, {"borderline", r.stage.borderline}, {"reason", r.stage.reason}};
  Json rays = Json::array();
  for (const auto& [which, ray] : r.pattern.rays)
    rays.push_back({{"ray", which},
                    {"lateral_mm", number(ray.lateral_mm)},
                    {"lateral_by_difference", ray.lateral_by_difference},
                    {"dorsal_mm", number(ray.dorsal_mm)},
                    {"dorsal_by_difference", ray.dorsal_by_difference}});
  const auto name = [](const PatternName& p) { return Json{{"value", p.value}, {"reason", p.reason}}; };
  j["pattern"] = {{"rays", rays},
                  {"displaced_from_mm", kDisplacedFromMm},
                  {"quenu_kuss", name(r.pattern.names.quenu_kuss)},
                  {"hardcastle", name(r.pattern.names.hardcastle)},
                  {"myerson", name(r.pattern.names.myerson)},
                  {"columns", r.pattern.names.columns},
                  {"holds_whatever_was_not_seen", r.pattern.holds},
                  {"assumed", r.pattern.assumed},
                  {"unseen", r.pattern.unseen}};
  j["cautions"] = r.cautions;
  j["partial"] = r.partial;
  return j;
}

}  // namespace rayset
