#include "clinic_check.h"

#include <fmt/format.h>

#include <algorithm>
#include <chrono>
#include <cmath>
#include <cstdio>
#include <map>
#include <string>

#include "accuracy/summary.h"
#include "anatomy/frames.h"
#include "base/units.h"
#include "bench_data.h"
#include "errors.h"
#include "geometry/json.h"
#include "outcome/film_check.h"

namespace rayset::films_bench {
namespace {

using Json = nlohmann::ordered_json;

CheckedFilm asRead(const FilmExposure& e, const TubePose& tube) {
  CheckedFilm f;
  f.scan.film = e.film;
  f.scan.info.file = e.name;
  if (e.columns > 0)
    f.scan.info.field = {FilmField::Origin::kFound, e.column, e.row, e.column + e.columns, e.row + e.rows};
  f.tube = tube;
  f.view = Message::quoted(e.name);
  f.pixel_mm = tube.pixel_mm;
  return f;
}

const Limits& limits() {
  static const Limits read = bench::needed(Limits::read(bench::dataFile("limits.json")));
  return read;
}

/// What the check would say of the truth itself.
Verification truthOf(const Scene& scene, const PlanRecord& plan) {
  Verification truth;
  for (const Ray ray : kRays) {
    const std::string id = fmt::format("M{}", ray);
    if (!scene.planned.contains(id)) continue;
    RayOutcome& r = truth.rays[ray];
    r.ray = ray;
    r.planned_to_found = scene.injured_to_post[ray] * scene.planned.at(id).inverse();
  }
  if (const Status done = drawConclusions(plan, scene.plan().catalogue, limits(), truth); !done) {
    fmt::print(stderr, "{}\n", english(done.error()));
    std::exit(1);
  }
  return truth;
}

Json rayRecord(const Scene& scene, const PlanRecord& plan, const RayOutcome& r, const RayOutcome& right) {
  const Surface& planned = plan.reduced.at(metatarsal(r.ray));
  const Vec3 base = right.planned_to_found * basePoint(planned, plan.frame.distal);
  const Rigid error = r.planned_to_found * right.planned_to_found.inverse();
  const Vec3 d = error * base - base;
  const Eigen::AngleAxisd turn(error.linear());
  double in_plane = 0, turn_in_plane = 0;
  for (const FilmExposure& f : scene.films) {
    in_plane = std::max(in_plane, std::hypot(d.dot(f.view.right), d.dot(f.view.down)));
    turn_in_plane = std::max(turn_in_plane, std::abs(turn.angle() * turn.axis().dot(f.view.normal())));
  }
  const Vec3 off = plan.frame.components(d);
  return {
      {"ray", r.ray},
      {"off_mm", {{"medial", rounded(off.x(), 2)}, {"distal", rounded(off.y(), 2)}, {"dorsal", rounded(off.z(), 2)}}},
      {"plane_mm", rounded(in_plane, 3)},
      {"weak_mm", rounded(std::abs(d.dot(r.weakest)), 3)},
      {"space_mm", rounded(d.norm(), 3)},
      {"stated_mm", rounded(r.shift_95_mm, 3)},
      {"plane_deg", rounded(toDegrees(turn_in_plane), 3)},
      {"space_deg", rounded(toDegrees(std::abs(turn.angle())), 3)},
      {"stated_deg", rounded(toDegrees(r.turn_95_rad), 3)},
      {"similarity", rounded(r.similarity, 3)},
      {"said", wordOf(r.verdict)},
      {"said_mm", rounded(r.shift_mm, 2)},
      {"truth", wordOf(right.verdict)},
      {"truth_mm", rounded(right.shift_mm, 2)},
      {"sure", r.sure},
      {"wrong", r.sure && (d.norm() > 1 || r.verdict != right.verdict)},
      {"doubt", english(r.doubt)}};
}

Json deviceRecord(const Scene& scene, const DeviceOutcome& d) {
  Json out{{"id", d.id}, {"seen", d.seen}, {"similarity", rounded(d.similarity, 3)}};
  if (d.id == scene.surprised) {
    out["told"] = !d.seen || !d.warnings.empty();
    out["said"] = !d.seen ? "not found" : d.warnings.empty() ? std::string() : english(d.warnings.front());
    return out;
  }
  if (!d.seen) return out;
  const auto& [entry, tip] = scene.devices.at(d.id);
  const double turn = std::acos(std::clamp((d.tip - d.entry).normalized().dot((tip - entry).normalized()), -1.0, 1.0));
  out["entry_mm"] = rounded((d.entry - entry).norm(), 3);
  out["entry_stated_mm"] = rounded(d.entry_95_mm, 3);
  out["tip_mm"] = rounded((d.tip - tip).norm(), 3);
  out["tip_stated_mm"] = rounded(d.tip_95_mm, 3);
  out["axis_deg"] = rounded(toDegrees(turn), 3);
  out["axis_stated_deg"] = rounded(toDegrees(d.axis_95_rad), 3);
  out["longer_mm"] = rounded(d.longer_mm, 1);
  return out;
}

std::string words(Errors& e) {
  return e.values.empty() ? "-" : fmt::format("{:.2f} ({:.2f})", e.mean(), e.quantile(1));
}

std::string words(const accuracy::Coverage& c) {
  return c.count == 0 ? "-" : fmt::format("{} %", 100 * c.inside / c.count);
}

struct Count {
  int of = 0, all = 0;
  void add(bool one) { of += one ? 1 : 0, ++all; }
};

struct Row {
  Errors plane_mm, weak_mm, plane_deg, entry_mm, tip_mm, axis_deg;
  accuracy::Coverage inside_mm, inside_deg, inside_entry, inside_tip, inside_axis;
  Count sure, seen, told;
  int scenes = 0, refused = 0, wrong = 0, wrong_length = 0;
  double seconds = 0;

  void add(const Json& scene) {
    ++scenes;
    seconds += scene.at("seconds").get<double>();
    if (scene.contains("refused")) {
      ++refused;
      return;
    }
    const auto add = [](const Json& of, const char* off, const char* stated, Errors& errors,
                        accuracy::Coverage& inside) {
      errors.add(of.at(off).get<double>());
      inside.add(of.at(off).get<double>(), of.at(stated).get<double>());
    };
    for (const Json& r : scene.at("rays")) {
      plane_mm.add(r.at("plane_mm").get<double>());
      weak_mm.add(r.at("weak_mm").get<double>());
      plane_deg.add(r.at("plane_deg").get<double>());
      inside_mm.add(r.at("space_mm").get<double>(), r.at("stated_mm").get<double>());
      inside_deg.add(r.at("space_deg").get<double>(), r.at("stated_deg").get<double>());
      sure.add(r.at("sure").get<bool>());
      wrong += r.at("wrong").get<bool>() ? 1 : 0;
    }
    for (const Json& d : scene.at("devices")) {
      if (d.contains("told")) {
        told.add(d.at("told").get<bool>());
        continue;
      }
      seen.add(d.at("seen").get<bool>());
      if (!d.at("seen").get<bool>()) continue;
      add(d, "entry_mm", "entry_stated_mm", entry_mm, inside_entry);
      add(d, "tip_mm", "tip_stated_mm", tip_mm, inside_tip);
      add(d, "axis_deg", "axis_stated_deg", axis_deg, inside_axis);
      wrong_length += d.at("longer_mm").get<double>() != 0 ? 1 : 0;
    }
  }
};

}  // namespace

Json checkedClinic(const Scene& scene) {
  const PlanRecord plan = recordOf(scene);
  FilmCheckInput input{&plan, &scene.plan().bodies, &scene.plan().catalogue, &limits(), {}, false};
  for (std::size_t n = 0; n < scene.films.size(); ++n) input.films.push_back(asRead(scene.films[n], scene.tubes[n]));
  const auto began = std::chrono::steady_clock::now();
  const auto found = checkFilms(input);
  Json out{{"scene", scene.name},
           {"person", scene.person.empty() ? "made" : scene.person},
           {"seconds", rounded(std::chrono::duration<double>(std::chrono::steady_clock::now() - began).count(), 1)}};
  if (!found) {
    out["refused"] = english(found.error());
    return out;
  }
  const Verification truth = truthOf(scene, plan);
  out["films"] = Json::array();
  const Vec3 centre = plan.frame.origin;
  for (std::size_t n = 0; n < found->films.size(); ++n) {
    const ProjectionView &a = found->films[n].exposed, &b = scene.films[n].view;
    const Vec2 off = (a.project(centre) - b.project(centre)) * b.pixel_mm / b.magnification(centre);
    out["films"].push_back(
        {{"similarity", rounded(found->films[n].similarity, 3)},
         {"right_mm", rounded(off.x(), 2)},
         {"down_mm", rounded(off.y(), 2)},
         {"along_mm", rounded((a.source - centre).norm() - (b.source - centre).norm(), 1)},
         {"turn_deg", rounded(toDegrees(std::acos(std::clamp(a.normal().dot(b.normal()), -1.0, 1.0))), 2)}});
  }
  out["rays"] = Json::array();
  for (const auto& [ray, r] : found->rays) out["rays"].push_back(rayRecord(scene, plan, r, truth.rays.at(ray)));
  out["devices"] = Json::array();
  for (const DeviceOutcome& d : found->devices) out["devices"].push_back(deviceRecord(scene, d));
  return out;
}

void printScene(const Json& scene, bool verbose) {
  if (scene.contains("refused")) {
    fmt::print("{:70} refused: {}\n", scene.at("scene").get<std::string>(), scene.at("refused").get<std::string>());
    std::fflush(stdout);
    return;
  }
  const auto number = [](const Json& of, const char* key) { return of.at(key).get<double>(); };
  double worst = 0;
  for (const Json& r : scene.at("rays")) {
    worst = std::max(worst, number(r, "plane_mm"));
    const bool wrong = r.at("wrong").get<bool>();
    if (!verbose && !wrong) continue;
    fmt::print(
        "    M{} {:.2f} mm ({}; {:.2f} in planes, weakest {:.2f}), stated {:.2f}, similarity {:.2f}; {} by {:.1f} "
        "mm{}, "
        "truly {} by {:.1f}; {}{}\n",
        r.at("ray").get<int>(), number(r, "space_mm"), r.at("off_mm").dump(), number(r, "plane_mm"),
        number(r, "weak_mm"), number(r, "stated_mm"), number(r, "similarity"), r.at("said").get<std::string>(),
        number(r, "said_mm"), r.at("sure").get<bool>() ? ", sure" : "", r.at("truth").get<std::string>(),
        number(r, "truth_mm"), r.at("doubt").get<std::string>(), wrong ? "  SURE AND WRONG" : "");
  }
  std::string said;
  for (const Json& d : scene.at("devices")) {
    if (d.contains("told"))
      said += fmt::format("; {} {}", d.at("id").get<std::string>(),
                          d.at("told").get<bool>() ? d.at("said").get<std::string>() : "NOT TOLD");
    else if (d.contains("longer_mm") && number(d, "longer_mm") != 0)
      said += fmt::format("; {} {:+.0f} mm, WRONG LENGTH", d.at("id").get<std::string>(), number(d, "longer_mm"));
  }
  std::string films;
  for (const Json& f : scene.at("films"))
    films += fmt::format(" {:.2f} ({:+.2f} {:+.2f} {:+.1f} mm, {:.2f} deg)", number(f, "similarity"),
                         number(f, "right_mm"), number(f, "down_mm"), number(f, "along_mm"), number(f, "turn_deg"));
  fmt::print("{:60} worst ray {:.2f} mm, films{}, {:.0f} s{}\n", scene.at("scene").get<std::string>(), worst, films,
             number(scene, "seconds"), said);
  std::fflush(stdout);
}

void printTable(const std::vector<Json>& scenes) {
  fmt::print(
      "\n| person | scenes, refused | base in the planes, mm | weakest, mm | turn in the planes, deg | entry, mm "
      "| tip, mm | axis, deg | inside: base, turn; entry, tip, axis | sure, of these wrong "
      "| screws not as planned, told | wrong length | devices seen | s |\n"
      "|---|---|---|---|---|---|---|---|---|---|---|---|---|---|\n");
  std::map<std::string, Row> rows;
  for (const Json& scene : scenes) {
    rows[scene.at("person").get<std::string>()].add(scene);
    rows["~all"].add(scene);  // sorts last
  }
  for (auto& [name, t] : rows)
    fmt::print(
        "| {} | {}, {} | {} | {} | {} | {} | {} | {} | {}, {}; {}, {}, {} | {} of {}, {} | {}, {} | {} | {} of {} | "
        "{:.0f} |\n",
        name == "~all" ? "all" : name, t.scenes, t.refused, words(t.plane_mm), words(t.weak_mm), words(t.plane_deg),
        words(t.entry_mm), words(t.tip_mm), words(t.axis_deg), words(t.inside_mm), words(t.inside_deg),
        words(t.inside_entry), words(t.inside_tip), words(t.inside_axis), t.sure.of, t.sure.all, t.wrong, t.told.all,
        t.told.of, t.wrong_length, t.seen.of, t.seen.all, t.seconds / std::max(1, t.scenes));
}

}  // namespace rayset::films_bench
