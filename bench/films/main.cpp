// How well the checks after an operation find bones and metal: bench_films [--scenes N] [--starts N] [--off-mm MM]
// [--off-deg DEG]; on CT: bench_films --ct [--scenes N]; the whole check on films as a clinic makes them (several
// energies, scatter, grain, collimator, plaster, toes off the film, another, a missing or a broken screw), of every
// real foot with its person left out: bench_films --clinic [--scenes N] [--first N] [--repeat N]
//
// Scenes (scenes.h) are filmed by ITK's ray caster at an unknown pose of tube and foot; every scene is then registered
// from several starts, each `off` from the true pose. Printed: errors of each ray's base and axis in the planes of the
// films and along the least certain direction, of every device's ends and axis, the share of true errors inside the
// stated intervals, and the time.
#include <fmt/format.h>

#include <CLI/CLI.hpp>
#include <chrono>
#include <ctime>
#include <filesystem>
#include <fstream>
#include <random>
#include <tuple>

#include "anatomy/frames.h"
#include "base/units.h"
#include "bench_data.h"
#include "bones/segment.h"
#include "clinic_check.h"
#include "errors.h"
#include "outcome/ct_check.h"
#include "scenes.h"

using namespace rayset;
using namespace rayset::films_bench;

namespace {

/// Along the bone, as it lies.
Vec3 axisOf(const Surface& bone, const Rigid& X) { return X.linear() * principalAxes(bone.vertices).axes.col(0); }

/// What the checks after an operation are judged by.
struct Tally {
  Errors base_mm, turn_deg, tip_mm, entry_mm, axis_deg, seconds;
  int scans = 0, refused = 0, rays = 0, wanted_rays = 0, inside_mm = 0, inside_deg = 0, devices = 0, seen = 0,
      inside_tip = 0, inside_axis = 0;
};

/// The CT after the operation, checked against the truth.
void checkScan(const Scene& scene, bool verbose, Tally& t) {
  const PlanRecord plan = recordOf(scene);
  const auto began = std::chrono::steady_clock::now();
  const Limits limits = bench::needed(Limits::read(bench::dataFile("limits.json")));
  const TemplateSegmenter segmenter;
  const auto found = checkCt({&plan, &scene.plan().catalogue, &limits, &segmenter, &scene.ct, false});
  const double took = std::chrono::duration<double>(std::chrono::steady_clock::now() - began).count();
  t.seconds.add(took);
  ++t.scans;
  t.wanted_rays += 5;
  if (!found) {
    ++t.refused;
    fmt::print("{:40} refused: {}\n", scene.name, english(found.error()));
    return;
  }
  double worst_mm = 0, worst_deg = 0;
  for (const auto& [ray, r] : found->rays) {
    ++t.rays;
    const Rigid truth = scene.injured_to_post[ray];
    const Rigid error = r.planned_to_found * scene.planned.at(fmt::format("M{}", r.ray)) * truth.inverse();
    const Vec3 base =
        basePoint(transformed(scene.plan().injured.at(metatarsal(r.ray)), truth), scene.plan().reduction.frame.distal);
    const double off = (error * base - base).norm(), turn = rotationAngle(error.linear());
    t.base_mm.add(off);
    t.turn_deg.add(toDegrees(turn));
    t.inside_mm += off <= r.shift_95_mm ? 1 : 0;
    t.inside_deg += turn <= r.turn_95_rad ? 1 : 0;
    worst_mm = std::max(worst_mm, off);
    worst_deg = std::max(worst_deg, toDegrees(turn));
    if (verbose)
      fmt::print("    M{} {:5.2f} mm, {:5.2f} deg; stated {:.2f} mm {:.2f} deg; rms {:.2f}\n", r.ray, off,
                 toDegrees(turn), r.shift_95_mm, toDegrees(r.turn_95_rad), r.rms_mm);
  }
  for (const DeviceOutcome& d : found->devices) {
    const auto& [entry, tip] = scene.devices.at(d.id);
    ++t.devices;
    if (!d.seen) {
      if (verbose) fmt::print("    {} not seen\n", d.id);
      continue;
    }
    ++t.seen;
    const double at_tip = (d.tip - tip).norm(), at_entry = (d.entry - entry).norm();
    const double axis =
        std::acos(std::clamp((d.tip - d.entry).normalized().dot((tip - entry).normalized()), -1.0, 1.0));
    t.tip_mm.add(at_tip);
    t.entry_mm.add(at_entry);
    t.axis_deg.add(toDegrees(axis));
    t.inside_tip += at_tip <= d.tip_95_mm ? 1 : 0;
    t.inside_axis += axis <= d.axis_95_rad ? 1 : 0;
    if (verbose)
      fmt::print(
          "    {} tip {:.2f} entry {:.2f} mm, axis {:.2f} deg, longer by {:.1f} mm; stated {:.2f} mm {:.2f} deg\n",
          d.id, at_tip, at_entry, toDegrees(axis), d.longer_mm, d.tip_95_mm, toDegrees(d.axis_95_rad));
  }
  fmt::print("{:40} worst ray {:.2f} mm {:.2f} deg  {:.1f} s\n", scene.name, worst_mm, worst_deg, took);
  for (const std::string& text : english().texts(found->cautions))
    if (verbose) fmt::print("    {}\n", text);
  std::fflush(stdout);
}

void printRow(const char* what, Errors& e, const char* unit) {
  fmt::print("{:46} mean {:6.2f}  median {:6.2f}  95 % {:6.2f}  worst {:6.2f} {}\n", what, e.mean(), e.quantile(0.5),
             e.quantile(0.95), e.quantile(1), unit);
}

void print(Tally& t) {
  fmt::print("\n{} CTs, {} refused, {} of {} rays and {} of {} devices found\n", t.scans, t.refused, t.rays,
             t.wanted_rays, t.seen, t.devices);
  printRow("ray, base", t.base_mm, "mm");
  printRow("ray, turn", t.turn_deg, "degrees");
  printRow("device, tip", t.tip_mm, "mm");
  printRow("device, entry", t.entry_mm, "mm");
  printRow("device, axis", t.axis_deg, "degrees");
  printRow("time", t.seconds, "s");
  if (t.rays > 0 && t.seen > 0)
    fmt::print("inside the stated 95 %: rays {} % (mm) {} % (degrees), tips {} %, axes {} %\n",
               100 * t.inside_mm / t.rays, 100 * t.inside_deg / t.rays, 100 * t.inside_tip / t.seen,
               100 * t.inside_axis / t.seen);
}

}  // namespace

int main(int argc, char** argv) {
  CLI::App app{"Registration of films whose truth is known"};
  int starts = 10, scenes = 10, first_start = 0, first_scene = 0, repeat = 1;
  double off_mm = 8, off_deg = 8, fine = 0.6;
  std::string only, out, table;
  bool verbose = false, from_truth = false, ct = false, in_clinic = false;
  app.add_option("--scenes", scenes, "how many feet")->capture_default_str();
  app.add_option("--first", first_scene, "number of the first of them, from 0")->capture_default_str();
  app.add_option("--repeat", repeat, "operations and films of each foot that was planned")->capture_default_str();
  app.add_option("--starts", starts, "registrations of each")->capture_default_str();
  app.add_option("--first-start", first_start, "number of the first of them")->capture_default_str();
  app.add_option("--off-mm", off_mm, "start from the truth, mm")->capture_default_str();
  app.add_option("--off-deg", off_deg, "start from the truth, degrees")->capture_default_str();
  app.add_option("--fine", fine, "finest pixel, mm")->capture_default_str();
  app.add_option("--only", only, "only scenes whose name contains this");
  app.add_option("--out", out,
                 "errors and stated deviations of every ray and device, comma separated; of a clinic's films a line of "
                 "JSON a scene; added to the file");
  app.add_option("--table", table, "only the table of such a file of a clinic's films")->check(CLI::ExistingFile);
  app.add_flag("--ct", ct, "a CT with metal instead of films");
  app.add_flag("--clinic", in_clinic, "the whole check on films as a clinic makes them, by person")->excludes("--ct");
  app.add_flag("--from-truth", from_truth,
               "begin with the rays where they are: what the films say, without the search");
  app.add_flag("--verbose", verbose, "every ray and device");
  CLI11_PARSE(app, argc, argv);

  if (!table.empty()) {
    std::vector<nlohmann::ordered_json> checked;
    std::ifstream file(table);
    for (std::string line; std::getline(file, line);) checked.push_back(nlohmann::ordered_json::parse(line));
    printTable(checked);
    return 0;
  }
  const bool real = std::filesystem::is_directory(std::filesystem::path(RAYSET_FEET_DIR) / "vsd-z027");
  if (!real) fmt::print(stderr, "Real feet skipped: {} is missing\n", RAYSET_FEET_DIR);
  std::vector<SceneSettings> list;
  const std::vector<std::string> feet =
      real ? std::vector<std::string>{"vsd-z027-right", "procedural-5-left", "vsd-z027-left", "visible-human-m-right",
                                      "procedural-3-right"}
           : std::vector<std::string>{"procedural-5-left", "procedural-3-right"};
  // Everybody in turn, so that a few scenes have all of them.
  const std::vector<std::string> everybody{"tlem2-right", "jia-right", "visible-human-m-right", "vsd-z027-left",
                                           "tlem2-left",  "jia-left",  "vsd-z027-right"};
  const std::vector<std::string> injuries{"homolateral", "divergent", "lateral-partial", "medial-partial", "isolated"};
  for (int n = first_scene * repeat; n < (first_scene + scenes) * repeat; ++n) {
    const int planned = n / repeat;
    SceneSettings s;
    s.foot = in_clinic && real ? everybody[static_cast<std::size_t>(planned) % everybody.size()]
                               : feet[static_cast<std::size_t>(planned) % feet.size()];
    s.injury = injuries[static_cast<std::size_t>(planned + planned / 5) % injuries.size()];
    s.plan_seed = static_cast<std::uint64_t>(planned + 1);
    s.seed = s.plan_seed + 1000 * static_cast<std::uint64_t>(n % repeat);
    s.poorly_reduced = n % 3 == 2;
    s.ct = ct;
    if (n % 4 == 3) s.views = {"dorsoplantar-15", "lateral", "oblique-30"};
    if (in_clinic) {
      s.clinic = true;
      s.surprise = static_cast<Surprise>(n % 4);
      s.cropped = n % 3 == 1;
      s.plaster = n % 5 == 4;
      s.views = {n % 2 == 0 ? "dorsoplantar-15" : "dorsoplantar-20", "lateral"};
      if (n % 6 == 5) s.views.emplace_back("oblique-30");
    }
    list.push_back(s);
  }

  Errors plane_mm, plane_deg, weak_mm, total_mm, total_deg, tip_mm, entry_mm, axis_deg, seconds, cpu_seconds;
  Tally tally;
  std::vector<nlohmann::ordered_json> clinic;
  int runs = 0, succeeded = 0, refused = 0, inside_mm = 0, inside_deg = 0, rays = 0, devices = 0, seen = 0,
      inside_tip = 0;
  std::shared_ptr<const PlannedFoot> foot;
  std::tuple<std::string, std::string, std::uint64_t> planned_as;
  for (const SceneSettings& settings : list) {
    if (!only.empty() &&
        fmt::format("{}/{}/{}", settings.foot, settings.injury, settings.seed).find(only) == std::string::npos)
      continue;
    if (!foot || planned_as != std::tie(settings.foot, settings.injury, settings.plan_seed)) {
      foot = planFoot(settings.foot, settings.injury, settings.plan_seed);
      planned_as = {settings.foot, settings.injury, settings.plan_seed};
    }
    const auto scene = makeScene(foot, settings);
    const Case& c = scene->plan();
    if (ct) {
      checkScan(*scene, verbose, tally);
      continue;
    }
    if (in_clinic) {
      const auto checked = checkedClinic(*scene);
      printScene(checked, verbose);
      if (!out.empty()) std::ofstream(out, std::ios::app) << checked.dump() << "\n";
      clinic.push_back(checked);
      continue;
    }
    std::vector<PlannedMetal> metal;
    for (const Device& d : c.fixation.devices)
      if (d.stage == DeviceStage::kDefinitive)
        metal.push_back({d.id, d.entry, d.tip, metalSolid(d, c.catalogue), {}, fmt::format("M{}", d.ray)});
    for (int start = first_start; start < first_start + starts; ++start) {
      std::mt19937_64 g(settings.seed * 1000 + static_cast<std::uint64_t>(start));
      FilmRegistrationInput input;
      input.bodies = &c.bodies;
      input.injured_to_planned = scene->planned;
      input.metal = metal;
      const Vec3 centre = c.reduction.frame.origin;
      for (const FilmExposure& truth : scene->films) {
        FilmExposure e = truth;
        e.view =
            truth.view.moved(turnAbout(centre, toRadians(off_deg) * randomDirection(g), off_mm * randomDirection(g)));
        input.films.push_back(std::move(e));
      }
      if (from_truth)
        for (const PlannedMetal& m : metal) {
          const auto& [entry, tip] = scene->devices.at(m.id);
          Rigid X = Rigid::Identity();
          X.linear() = Eigen::Quaterniond::FromTwoVectors(m.tip - m.entry, tip - entry).toRotationMatrix();
          X.translation() = entry - X.linear() * m.entry;
          input.thought[m.id] = X;
        }
      for (const Ray ray : kRays) {
        if (!from_truth) break;
        const std::string id = fmt::format("M{}", ray);
        input.thought[id] = scene->injured_to_post[ray] * scene->planned.at(id).inverse();
      }
      FilmRegistrationSettings s;
      s.fine_pixel_mm = fine;
      const std::clock_t clock = std::clock();
      const auto began = std::chrono::steady_clock::now();
      const auto found = registerFilms(input, s);
      const double took = std::chrono::duration<double>(std::chrono::steady_clock::now() - began).count();
      seconds.add(took);
      cpu_seconds.add(static_cast<double>(std::clock() - clock) / CLOCKS_PER_SEC);
      ++runs;
      if (!found) {
        ++refused;
        fmt::print("{:40} start {:2}  refused: {}\n", scene->name, start, english(found.error()));
        continue;
      }
      for (std::size_t n = 0; verbose && n < found->films.size(); ++n) {
        const ProjectionView& a = found->films[n].view;
        const ProjectionView& b = scene->films[n].view;
        const Vec2 off = (a.project(centre) - b.project(centre)) * b.pixel_mm / b.magnification(centre);
        fmt::print(
            "    film {}: tarsus off by {:.2f} {:.2f} mm in the plane, {:.1f} mm along the beam, turned {:.2f} deg\n",
            n, off.x(), off.y(), (a.source - centre).norm() - (b.source - centre).norm(),
            toDegrees(std::acos(std::clamp(a.normal().dot(b.normal()), -1.0, 1.0))));
      }
      double worst_mm = 0, worst_deg = 0;
      for (const Ray ray : kRays) {
        const std::string id = fmt::format("M{}", ray);
        const auto body =
            std::find_if(found->bodies.begin(), found->bodies.end(), [&](const FoundBody& b) { return b.id == id; });
        if (body == found->bodies.end() || !scene->planned.contains(id)) continue;
        ++rays;
        const Rigid& truth = scene->injured_to_post[ray];
        const Rigid got = body->planned_to_found * scene->planned.at(id);
        const Surface& bone = c.injured.at(metatarsal(ray));
        const Vec3 base = basePoint(transformed(bone, truth), c.reduction.frame.distal);
        const Rigid error = got * truth.inverse();
        const Vec3 d = error * base - base;
        const Eigen::AngleAxisd turn(error.linear());
        const Vec3 turned = turn.angle() * turn.axis();
        const LeastCertain spread =
            leastCertain(pointCovariance(body->covariance, body->planned_to_found * body->centre, base));
        const Vec3 weakest = spread.direction;
        double in_plane = 0, in_plane_deg = 0;
        for (const FilmExposure& f : scene->films) {
          in_plane = std::max(in_plane, std::hypot(d.dot(f.view.right), d.dot(f.view.down)));
          in_plane_deg = std::max(in_plane_deg, std::abs(toDegrees(turned.dot(f.view.normal()))));
        }
        plane_mm.add(in_plane);
        plane_deg.add(in_plane_deg);
        weak_mm.add(std::abs(d.dot(weakest)));
        total_mm.add(d.norm());
        total_deg.add(toDegrees(turn.angle()));
        const double sd = spread.sd, sd_turn = body->turn_sd_rad;
        const double roll = toDegrees(turned.dot(axisOf(bone, truth)));
        if (!out.empty()) {
          std::ofstream file(out, std::ios::app);
          const Mat3 turns = body->covariance.topLeftCorner<3, 3>();
          double plane_sd = 0;
          for (const FilmExposure& f : scene->films)
            plane_sd = std::max(plane_sd, std::sqrt(f.view.normal().dot(turns * f.view.normal())));
          const Vec3 axis = axisOf(bone, truth);
          file << fmt::format(
              "ray,{},{},{},{:.4f},{:.4f},{:.4f},{:.4f},{:.4f},{:.4f},{:.4f},{:.4f},{:.4f},{:.4f},{:.3f}\n",
              scene->name, start, id, d.norm(), sd, in_plane, std::abs(d.dot(weakest)), toDegrees(turn.angle()),
              toDegrees(sd_turn), in_plane_deg, toDegrees(plane_sd), roll, toDegrees(std::sqrt(axis.dot(turns * axis))),
              body->similarity);
        }
        inside_mm += d.norm() <= 2.0 * sd ? 1 : 0;
        inside_deg += turn.angle() <= 2.0 * sd_turn ? 1 : 0;
        worst_mm = std::max(worst_mm, d.norm());
        worst_deg = std::max(worst_deg, in_plane_deg);
        if (verbose)
          fmt::print(
              "    {} {:5.2f} mm ({:.2f} in planes, weakest {:.2f}), {:5.2f} deg (in planes {:.2f}); stated 2 sd "
              "{:.2f} mm {:.2f} deg; similarity {:.2f}\n",
              id, d.norm(), in_plane, std::abs(d.dot(weakest)), toDegrees(turn.angle()), in_plane_deg, 2 * sd,
              toDegrees(2 * sd_turn), body->similarity);
      }
      for (const FoundDevice& d : found->devices) {
        const auto& [entry, tip] = scene->devices.at(d.id);
        ++devices;
        seen += d.seen ? 1 : 0;
        const double at_tip = (d.tip - tip).norm(), at_entry = (d.entry - entry).norm();
        const double axis =
            toDegrees(std::acos(std::clamp((d.tip - d.entry).normalized().dot((tip - entry).normalized()), -1.0, 1.0)));
        tip_mm.add(at_tip);
        entry_mm.add(at_entry);
        axis_deg.add(axis);
        if (!out.empty()) {
          std::ofstream file(out, std::ios::app);
          file << fmt::format("device,{},{},{},{:.4f},{:.4f},{:.4f},{:.4f},{:.4f},{:.4f},{:.3f}\n", scene->name, start,
                              d.id, at_tip, d.tip_sd_mm, at_entry, d.entry_sd_mm, axis, toDegrees(d.axis_sd_rad),
                              d.similarity);
        }
        inside_tip += at_tip <= 2 * d.tip_sd_mm ? 1 : 0;
        if (verbose)
          fmt::print("    {} tip {:.2f} entry {:.2f} mm, axis {:.2f} deg; stated 2 sd {:.2f}; similarity {:.2f}{}\n",
                     d.id, at_tip, at_entry, axis, 2 * d.tip_sd_mm, d.similarity, d.seen ? "" : " NOT SEEN");
      }
      const bool good = worst_mm < 2 && worst_deg < 5;
      succeeded += good ? 1 : 0;
      std::string films;
      for (const FoundFilm& f : found->films) films += fmt::format(" {:.2f}", f.similarity);
      fmt::print("{:40} start {:2}  worst ray {:.2f} mm {:.2f} deg  films{} ({:.4f})  {:.1f} s{}\n", scene->name, start,
                 worst_mm, worst_deg, films, found->similarity, took, good ? "" : "  MISSED");
      std::fflush(stdout);
    }
  }
  if (ct || in_clinic) {
    ct ? print(tally) : printTable(clinic);
    return 0;
  }
  fmt::print("\n{} registrations, {} within 2 mm and 5 degrees (in the planes) in every ray, {} refused\n", runs,
             succeeded, refused);
  printRow("ray, base, in the films' planes (worst film)", plane_mm, "mm");
  printRow("ray, base, along the weakest direction", weak_mm, "mm");
  printRow("ray, base, in space", total_mm, "mm");
  printRow("ray, turn in the films' planes (worst film)", plane_deg, "degrees");
  printRow("ray, turn in space", total_deg, "degrees");
  printRow("device, tip", tip_mm, "mm");
  printRow("device, entry", entry_mm, "mm");
  printRow("device, axis", axis_deg, "degrees");
  printRow("time", seconds, "s");
  printRow("processor time", cpu_seconds, "s");
  if (rays > 0 && devices > 0)
    fmt::print("inside two standard deviations: rays {} % (mm) {} % (degrees), tips {} %; devices seen {}/{}\n",
               100 * inside_mm / rays, 100 * inside_deg / rays, 100 * inside_tip / devices, seen, devices);
  return 0;
}
