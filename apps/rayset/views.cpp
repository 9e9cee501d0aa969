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
  const auto written = viewsInto(request, *resources, staging->folder(), console.progress());
  if (!written) return console.fail(written.error());
  if (const Status done = staging->commit(); !done) return console.fail(done.error());
  if (written->sole_assumed) console.caution(console.words("cli.sole_not_ct_second_ray_taken"));
  console.say(console.words("cli.simulated_films_png_dicom", {{"films", written->films}, {"out", options.out}}));
  return 0;
}

}  // namespace

void addViewsVerb(CLI::App& app, Console& console, int& status) {
  auto options = std::make_shared<Options>();
  CLI::App* verb = app.add_subcommand("views", console.words("cli.simulate_films_planned_foot_any_tube"));
  verb->add_option("plan", options->plan, console.words("cli.folder_rayset_plan_wrote"))->required();
  verb->add_option("--out", options->out, console.words("cli.folder_films_png_dicom"))->required();
  verb->add_option("--view", options->views, console.words("cli.dorsoplantar_10_dorsoplantar_15_dorsoplantar_20"))
      ->capture_default_str();
  verb->add_option("--state", options->states, console.words("cli.injured_reduced_metal_reduced_devices_repeat"))
      ->check(CLI::IsMember({"injured", "reduced", "metal"}))
      ->capture_default_str();
  verb->add_option("--pixel", options->pixel_mm, console.words("cli.detector_mm"))->capture_default_str();
  verb->add_option("--scatter", options->scatter, console.words("cli.share_scatter_0_0"))
      ->check(CLI::Range(0.0, 0.9))
      ->capture_default_str();
  verb->add_option("--photons", options->photons, console.words("cli.photons_pixel_noise_0_none"))
      ->check(CLI::Range(0.0, 1e9))
      ->capture_default_str();
  verb->add_flag("--force", options->force, console.words("cli.replace_earlier_films_same_folder"));
  verb->callback([options, &console, &status] { status = views(*options, console); });
}

}  // namespace rayset::app
