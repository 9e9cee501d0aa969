// rayset views: what a planned foot will look like on films, from any tube angle.
#include <fmt/format.h>

#include "runs/runs.h"
#include "runs/staging.h"
#include "verbs.h"

namespace rayset::app {
namespace {

struct Options {
  std::string plan, out;
  std::vector<std::string> views{"dorsoplantar-20", "oblique-30", "lateral"};
  std::vector<std::string> states{"injured", "reduced", "metal"};
  double pixel_mm = 0.2, scatter = 0, photons = 0;
  bool force = false;
};

int views(const Options& options, Console& console) {
  const auto resources = console.resources();
  if (!resources) return console.fail(resources.error());
  ViewsRequest request;
  request.plan = options.plan;
  request.views = options.views;
  request.states = options.states;
  request.pixel_mm = options.pixel_mm;
  request.scatter = options.scatter;
  request.photons = options.photons;
  auto staging = Staging::open(options.out, "views.json", options.force);
  if (!staging) return console.fail(staging.error());
  const auto written = viewsInto(request, resources->catalogue, staging->folder(), console.progress());
  if (!written) return console.fail(written.error());
  if (const Status done = staging->commit(); !done) return console.fail(done.error());
  if (written->sole_assumed)
    console.caution(
        "The sole is not in the CT: the second ray is taken to slope by 20 degrees; tube angles are off by "
        "as much as that is.");
  console.say(fmt::format("{} simulated films (PNG and DICOM): {}", written->films, options.out));
  return 0;
}

}  // namespace

void addViewsVerb(CLI::App& app, Console& console, int& status) {
  auto options = std::make_shared<Options>();
  CLI::App* verb = app.add_subcommand("views", "simulate films of a planned foot from any tube angle");
  verb->add_option("plan", options->plan, "folder that `rayset plan` wrote")->required();
  verb->add_option("--out", options->out, "folder for the films (PNG and DICOM)")->required();
  verb->add_option("--view", options->views,
                   "dorsoplantar-10, dorsoplantar-15, dorsoplantar-20, oblique-30, lateral, lateromedial, or tube "
                   "angles in degrees "
                   "like orbital=30,tilt=10 (sid= and oid= in mm); repeat for more")
      ->capture_default_str();
  verb->add_option("--state", options->states, "injured, reduced, metal (reduced, with devices); repeat for more")
      ->check(CLI::IsMember({"injured", "reduced", "metal"}))
      ->capture_default_str();
  verb->add_option("--pixel", options->pixel_mm, "of the detector, mm")->capture_default_str();
  verb->add_option("--scatter", options->scatter, "share of scatter, 0 to 0.9")
      ->check(CLI::Range(0.0, 0.9))
      ->capture_default_str();
  verb->add_option("--photons", options->photons, "photons a pixel for noise (0: none)")
      ->check(CLI::Range(0.0, 1e9))
      ->capture_default_str();
  verb->add_flag("--force", options->force, "replace earlier films in the same folder");
  verb->callback([options, &console, &status] { status = views(*options, console); });
}

}  // namespace rayset::app
