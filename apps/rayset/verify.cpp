// rayset verify: after the operation, are bones and metal where they were planned? From films or a CT.
#include <fmt/format.h>

#include "base/units.h"
#include "injury/shift_words.h"
#include "runs/runs.h"
#include "runs/staging.h"
#include "verbs.h"

namespace rayset::app {
namespace {

struct Options {
  std::string plan, out, ct, series, earlier;
  std::vector<std::string> films, views;
  bool temporary = false, force = false;
};

void summarise(const Verification& v, const std::string& out, Console& console) {
  if (!v.ct.empty()) console.say(v.ct);
  for (const FilmOutcome& f : v.films)
    console.say(console.words("cli.matched_degrees", {{"file", f.file},
                                                      {"view", f.view},
                                                      {"similarity", number(f.similarity, 2)},
                                                      {"shift", mm(f.shift_mm, 0)},
                                                      {"turn", number(toDegrees(f.turn_rad), 0)}}));
  console.say(console.words("cli.each_metatarsal_against_where_planned"));
  for (const auto& [ray, r] : v.rays) {
    console.say(console.words("cli.ray_off", {{"ray", r.ray},
                                              {"shift", mm(r.shift_mm)},
                                              {"off", all(console.words.texts(shiftParts(r.off, 0, Unit::kNone)))},
                                              {"turn", number(toDegrees(r.turn_rad), 1)},
                                              {"shift_95", mm(r.shift_95_mm)},
                                              {"turn_95", number(toDegrees(r.turn_95_rad), 1)},
                                              {"weakest", r.weakest_words},
                                              {"verdict", nameOfKey(wordOf(r.verdict))},
                                              {"sure", r.sure ? "yes" : "no"},
                                              {"doubt", r.doubt}}));
    if (v.oneFilm())
      console.say(console.words("cli.plane_film_within",
                                {{"in_plane", mm(r.in_plane_mm)}, {"in_plane_95", mm(r.in_plane_95_mm)}}));
  }
  if (!v.devices.empty()) console.say(console.words("cli.metal_against_where_planned"));
  for (const DeviceOutcome& d : v.devices) {
    if (!d.seen) {
      console.say(fmt::format("  {:<4} {}", d.id, console.words("cli.device_not_found")));
      continue;
    }
    std::vector<Message> off{
        {"cli.device_off",
         {{"entry", mm(d.entry_off_mm)}, {"tip", mm(d.tip_off_mm)}, {"axis", number(toDegrees(d.axis_off_rad), 0)}}}};
    off.insert(off.end(), d.warnings.begin(), d.warnings.end());
    console.say(fmt::format("  {:<4} {}", d.id, console.words.list(console.words.texts(off), List::Kind::kEach)));
  }
  if (v.since) {
    console.say(console.words("cli.since_earlier_check",
                              {{"told", v.since->since.empty() ? "no" : "yes"}, {"since", v.since->since}}));
    for (const RayChange& c : v.since->rays)
      console.say(Message("cli.since_ray", {{"ray", c.ray},
                                            {"change", c.words},
                                            {"shift", mm(c.shift_95_mm)},
                                            {"turn", number(toDegrees(c.turn_95_rad), 1)}}));
    for (const DeviceChange& c : v.since->devices)
      console.say(
          fmt::format("  {:<4} {}", c.id,
                      c.seen ? console.words("cli.since_device", {{"change", c.words}, {"shift", mm(c.shift_95_mm)}})
                             : console.words(c.words)));
  }
  for (const Message& text : v.cautions) console.caution(text);
  console.say(Message("cli.written_check",
                      {{"verdict", nameOfKey(wordOf(v.verdict))}, {"sure", v.sure ? "yes" : "no"}, {"out", out}}));
}

int verify(const Options& options, Console& console) {
  const auto resources = console.resources();
  if (!resources) return console.fail(resources.error());
  VerifyRequest request;
  request.plan = options.plan;
  request.films.assign(options.films.begin(), options.films.end());
  request.views = options.views;
  request.ct = options.ct;
  request.series = options.series;
  request.temporary = options.temporary;
  request.earlier = options.earlier;
  auto input = readVerifyInput(request, *resources);
  if (!input) return console.fail(input.error());
  auto staging = Staging::open(options.out, "verification.json", options.force);
  if (!staging) return console.fail(staging.error());
  const auto checked = verifyInto(*input, staging->folder(), console.progress());
  if (!checked) return console.fail(checked.error());
  if (const Status done = staging->commit(); !done) return console.fail(done.error());
  summarise(*checked, options.out, console);
  return checked->partial ? 4 : 0;
}

}  // namespace

void addVerifyVerb(CLI::App& app, Console& console, int& status) {
  auto options = std::make_shared<Options>();
  CLI::App* verb = app.add_subcommand("verify", console.words("cli.check_bones_metal_films_ct_taken"));
  verb->add_option("plan", options->plan, console.words("cli.folder_rayset_plan_wrote"))->required();
  verb->add_option("--films", options->films, console.words("cli.two_more_films_dicom_clearly_different"));
  auto* ct = verb->add_option("--ct", options->ct, console.words("cli.ct_taken_after_operation_place_films"));
  verb->add_option("--series", options->series, console.words("cli.series_use_where_cts_folder_holds"))->needs(ct);
  verb->add_option("--views", options->views, console.words("cli.view_each_film_where_header_does"));
  verb->add_option("--out", options->out, console.words("cli.folder_verification_pdf_verification_json_pictures"))
      ->required();
  verb->add_option("--earlier", options->earlier, console.words("cli.folder_earlier_rayset_verify_foot_wrote"));
  verb->add_flag("--temporary", options->temporary, console.words("cli.temporary_wires_still"));
  verb->add_flag("--force", options->force, console.words("cli.replace_earlier_result_same_folder"));
  verb->callback([options, &console, &status] { status = verify(*options, console); });
}

}  // namespace rayset::app
