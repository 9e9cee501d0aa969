// How well films are registered: bench_films [--runs N] [--feet real|procedural|all] [--off MM,DEG] [--csv FILE]
//
// Scenes (scenes.h) are filmed by ITK's ray caster at an unknown pose of tube and foot; every scene is then registered
// from several starts, each `off` from the true pose. Printed: errors of each ray's base and axis in the planes of the
// films and along the least certain direction, of every device's ends and axis, the share of true errors inside the
// stated intervals, and the time.
#include <fmt/format.h>

#include <CLI/CLI.hpp>
#include <chrono>
#include <filesystem>
#include <fstream>
#include <random>

#include "anatomy/frames.h"
#include "base/units.h"
#include "scenes.h"

using namespace rayset;
using namespace rayset::films_bench;

namespace {

struct Errors {
  std::vector<double> values;
  void add(double v) { values.push_back(v); }
  [[nodiscard]] double mean() const {
    double sum = 0;
    for (const double v : values) sum += v;
    return values.empty() ? 0 : sum / static_cast<double>(values.size());
  }
  [[nodiscard]] double quantile(double q) {
    if (values.empty()) return 0;
    std::sort(values.begin(), values.end());
    return values[static_cast<std::size_t>(q * static_cast<double>(values.size() - 1))];
  }
};

}  // namespace

int main(int argc, char** argv) {
  CLI::App app{"Registration of films whose truth is known"};
  int starts = 10, scenes = 10;
  double off_mm = 8, off_deg = 8, fine = 0.6;
  std::string only, csv;
  bool verbose = false, from_truth = false;
  app.add_option("--scenes", scenes, "how many feet")->capture_default_str();
  app.add_option("--starts", starts, "registrations of each")->capture_default_str();
  app.add_option("--off-mm", off_mm, "start from the truth, mm")->capture_default_str();
  app.add_option("--off-deg", off_deg, "start from the truth, degrees")->capture_default_str();
  app.add_option("--fine", fine, "finest pixel, mm")->capture_default_str();
  app.add_option("--only", only, "only scenes whose name contains this");
  app.add_flag("--from-truth", from_truth,
               "begin with the rays where they are: what the films say, without the search");
  app.add_flag("--verbose", verbose, "every ray and device");
  CLI11_PARSE(app, argc, argv);

  const bool real = std::filesystem::is_directory(std::filesystem::path(RAYSET_FEET_DIR) / "vsd-z027");
  if (!real) fmt::print(stderr, "Real feet skipped: {} is missing\n", RAYSET_FEET_DIR);
  std::vector<SceneSettings> list;
  const std::vector<std::string> feet =
      real ? std::vector<std::string>{"vsd-z027-right", "procedural-5-left", "vsd-z027-left", "visible-human-m-right",
                                      "procedural-3-right"}
           : std::vector<std::string>{"procedural-5-left", "procedural-3-right"};
  const std::vector<std::string> injuries{"homolateral", "divergent", "lateral-partial", "medial-partial", "isolated"};
  for (int n = 0; n < scenes; ++n) {
    SceneSettings s;
    s.foot = feet[static_cast<std::size_t>(n) % feet.size()];
    s.injury = injuries[static_cast<std::size_t>(n + n / 5) % injuries.size()];
    s.seed = static_cast<std::uint64_t>(n + 1);
    s.poorly_reduced = n % 3 == 2;
    if (n % 4 == 3) s.views = {"dorsoplantar-15", "lateral", "oblique-30"};
    list.push_back(s);
  }

  Errors plane_mm, plane_deg, weak_mm, total_mm, total_deg, tip_mm, entry_mm, axis_deg, seconds;
  int runs = 0, succeeded = 0, refused = 0, inside_mm = 0, inside_deg = 0, rays = 0, devices = 0, seen = 0,
      inside_tip = 0;
  for (const SceneSettings& settings : list) {
    if (!only.empty() &&
        fmt::format("{}/{}/{}", settings.foot, settings.injury, settings.seed).find(only) == std::string::npos)
      continue;
    const auto scene = makeScene(settings);
    const Case& c = scene->plan;
    std::vector<PlannedMetal> metal;
    for (const Device& d : c.fixation.devices)
      if (d.stage == "definitive") metal.push_back({d.id, d.entry, d.tip, metalSolid(d, c.catalogue)});
    for (int start = 0; start < starts; ++start) {
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
      for (int ray = 1; from_truth && ray <= 5; ++ray) {
        const std::string id = fmt::format("M{}", ray);
        input.thought[id] = scene->injured_to_post[static_cast<std::size_t>(ray - 1)] * scene->planned.at(id).inverse();
      }
      FilmRegistrationSettings s;
      s.fine_pixel_mm = fine;
      const auto began = std::chrono::steady_clock::now();
      const auto found = registerFilms(input, s);
      const double took = std::chrono::duration<double>(std::chrono::steady_clock::now() - began).count();
      seconds.add(took);
      ++runs;
      if (!found) {
        ++refused;
        fmt::print("{:40} start {:2}  refused: {}\n", scene->name, start, found.error().message());
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
      for (int ray = 1; ray <= 5; ++ray) {
        const std::string id = fmt::format("M{}", ray);
        const auto body =
            std::find_if(found->bodies.begin(), found->bodies.end(), [&](const FoundBody& b) { return b.id == id; });
        if (body == found->bodies.end() || !scene->planned.contains(id)) continue;
        ++rays;
        const Rigid& truth = scene->injured_to_post[static_cast<std::size_t>(ray - 1)];
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
        const double sd = spread.sd, sd_turn = leastCertain(body->covariance.topLeftCorner<3, 3>()).sd;
        inside_mm += d.norm() <= 2.0 * sd ? 1 : 0;
        inside_deg += turn.angle() <= 2.0 * sd_turn ? 1 : 0;
        worst_mm = std::max(worst_mm, d.norm());
        worst_deg = std::max(worst_deg, toDegrees(turn.angle()));
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
        inside_tip += at_tip <= 2 * d.tip_sd_mm ? 1 : 0;
        if (verbose)
          fmt::print("    {} tip {:.2f} entry {:.2f} mm, axis {:.2f} deg; stated 2 sd {:.2f}{}\n", d.id, at_tip,
                     at_entry, axis, 2 * d.tip_sd_mm, d.seen ? "" : " NOT SEEN");
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
  fmt::print("\n{} registrations, {} within 2 mm and 5 degrees in every ray, {} refused\n", runs, succeeded, refused);
  const auto row = [](const char* what, Errors& e, const char* unit) {
    fmt::print("{:46} mean {:6.2f}  median {:6.2f}  95 % {:6.2f}  worst {:6.2f} {}\n", what, e.mean(), e.quantile(0.5),
               e.quantile(0.95), e.quantile(1), unit);
  };
  row("ray, base, in the films' planes (worst film)", plane_mm, "mm");
  row("ray, base, along the weakest direction", weak_mm, "mm");
  row("ray, base, in space", total_mm, "mm");
  row("ray, turn in the films' planes (worst film)", plane_deg, "degrees");
  row("ray, turn in space", total_deg, "degrees");
  row("device, tip", tip_mm, "mm");
  row("device, entry", entry_mm, "mm");
  row("device, axis", axis_deg, "degrees");
  row("time", seconds, "s");
  if (rays > 0 && devices > 0)
    fmt::print("inside two standard deviations: rays {} % (mm) {} % (degrees), tips {} %; devices seen {}/{}\n",
               100 * inside_mm / rays, 100 * inside_deg / rays, 100 * inside_tip / devices, seen, devices);
  return 0;
}
