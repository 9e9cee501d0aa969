// rayset views: what a planned foot will look like on films, from any tube angle.
#include <fmt/format.h>

#include "base/units.h"
#include "case/plan_record.h"
#include "dicom/film_writer.h"
#include "geometry/json.h"
#include "outcome/film_check.h"
#include "report/film_shots.h"
#include "staging.h"
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

FilmView filmViewOf(const TubePose& tube) {
  if (std::abs(tube.orbital_rad) > toRadians(60)) return FilmView::kLateral;
  return std::abs(tube.orbital_rad) > toRadians(15) ? FilmView::kOblique : FilmView::kDorsoplantar;
}

int views(const Options& options, Console& console) {
  const auto plan = readPlan(options.plan);
  if (!plan) return console.fail(plan.error());
  const auto bodies = readPlanBodies(options.plan);
  if (!bodies) return console.fail(bodies.error());
  const auto catalogue = readCatalogue(defaultCatalogueFile());
  if (!catalogue) return console.fail(catalogue.error());
  std::vector<std::pair<TubePose, std::string>> tubes;
  for (const std::string& word : options.views) {
    const auto tube = tubeFromWord(word);
    if (!tube) return console.fail(tube.error());
    tubes.push_back(*tube);
  }
  std::vector<FilmedState> states;
  for (const std::string& word : options.states)
    for (const FilmedState s : kFilmedStates)
      if (wordOf(s) == word) states.push_back(s);

  const FilmedFoot foot =
      filmedFoot(plan->side, plan->frame, plan->reduced, plan->injured_to_reduced, plan->devices, *catalogue);
  if (foot.plate.assumed)
    console.caution(
        "The sole is not in the CT: the second ray is taken to slope by 20 degrees; tube angles are off by "
        "as much as that is.");

  auto staging = Staging::open(options.out, "views.json", options.force);
  if (!staging) return console.fail(staging.error());
  const FootProjector projector(*bodies);
  const Progress progress = console.progress();
  ToneSettings tone;
  tone.scatter_fraction = options.scatter;
  tone.photons = options.photons;
  nlohmann::ordered_json list = nlohmann::ordered_json::array();
  int number = 0;
  for (std::size_t n = 0; n < tubes.size(); ++n) {
    progress("films", static_cast<double>(n) / static_cast<double>(tubes.size()));
    if (progress.cancelled()) return console.fail(cancelledError().value());
    auto [tube, description] = tubes[n];
    tube.pixel_mm = options.pixel_mm;
    const auto films = simulate(projector, foot, tube, description, states, tone);
    if (!films) return console.fail(films.error());
    for (const SimulatedFilm& film : *films) {
      ++number;
      std::string name = fmt::format("{}_{}", options.views[n], wordOf(film.state));
      std::replace_if(
          name.begin(), name.end(), [](char c) { return c == '=' || c == ','; }, '_');
      const Shot shot = shotOf(foot, film, name, film.view.columns / 2.3);
      if (const Status s = writeShot(staging->folder() / (name + ".png"), foot.side, shot); !s)
        return console.fail(s.error());
      FilmWriteInfo info;
      info.patient_name = plan->patient_name;
      info.patient_id = plan->patient_id;
      info.study_uid = plan->study_uid;
      info.study_date = plan->study_date;
      info.series_description = shot.caption;
      info.instance_number = number;
      info.model = "simulated film";
      info.side = plan->side;
      info.view = filmViewOf(tube);
      info.simulated = true;
      info.derivation = fmt::format("line integrals through CT, 60 keV; {}; {}", description, wordOf(film.state));
      info.column_mm = info.row_mm = film.view.pixel_mm;
      info.source_detector_mm = tube.sid_mm;
      info.source_patient_mm = tube.sid_mm - tube.oid_mm;
      info.bits_stored = 12;
      // Room beyond black and white, so that nothing is clipped that a reader could still window.
      info.value_low = -0.1;
      info.value_high = 1.2;
      info.window_low = 0;
      info.window_high = 1;
      info.uid_seed = static_cast<std::uint64_t>(number);
      if (const Status s = writeFilm(staging->folder() / (name + ".dcm"), film.film, info); !s)
        return console.fail(s.error());
      list.push_back({{"file", name + ".dcm"},
                      {"picture", name + ".png"},
                      {"view", description},
                      {"state", wordOf(film.state)},
                      {"tube",
                       {{"orbital_deg", rounded(toDegrees(tube.orbital_rad), 2)},
                        {"tilt_deg", rounded(toDegrees(tube.tilt_rad), 2)},
                        {"sid_mm", tube.sid_mm},
                        {"oid_mm", tube.oid_mm}}},
                      {"source", pointJson(film.view.source, 3)},
                      {"detector", pointJson(film.view.detector, 3)},
                      {"right", pointJson(film.view.right, 9)},
                      {"down", pointJson(film.view.down, 9)},
                      {"pixel_mm", film.view.pixel_mm},
                      {"columns", film.view.columns},
                      {"rows", film.view.rows}});
    }
  }
  if (const Status s = writeJson(staging->folder() / "views.json",
                                 {{"schema", "rayset.views/1"}, {"simulated", true}, {"films", list}});
      !s)
    return console.fail(s.error());
  if (const Status done = staging->commit(); !done) return console.fail(done.error());
  progress("films", 1);
  console.say(fmt::format("{} simulated films (PNG and DICOM): {}", number, options.out));
  return 0;
}

}  // namespace

void addViewsVerb(CLI::App& app, Console& console, int& status) {
  auto options = std::make_shared<Options>();
  CLI::App* verb = app.add_subcommand("views", "simulate films of a planned foot from any tube angle");
  verb->add_option("plan", options->plan, "folder that `rayset plan` wrote")->required();
  verb->add_option("--out", options->out, "folder for the films (PNG and DICOM)")->required();
  verb->add_option("--view", options->views,
                   "dorsoplantar-10, dorsoplantar-15, dorsoplantar-20, oblique-30, lateral, or tube angles in degrees "
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
