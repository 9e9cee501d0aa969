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
    console.say(fmt::format("{}: {}; matched with {:.2f}, {:.0f} mm and {:.0f} degrees from there", f.file, f.view,
                            f.similarity, f.shift_mm, toDegrees(f.turn_rad)));
  console.say("\nEach metatarsal against where it was planned:");
  for (const auto& [ray, r] : v.rays) {
    console.say(fmt::format(
        "  ray {}  {:.1f} mm ({}), {:.1f} deg; to within {:.1f} mm, {:.1f} deg (95 %), least sure {}: {}{}", r.ray,
        r.shift_mm, fmt::join(shiftParts(r.off, 0, " "), ", "), toDegrees(r.turn_rad), r.shift_95_mm,
        toDegrees(r.turn_95_rad), r.weakest_words, wordOf(r.verdict), r.sure ? "" : " (not sure: " + r.doubt + ")"));
    if (v.oneFilm())
      console.say(fmt::format("         in the plane of the film {:.1f} mm, to within {:.1f} mm", r.in_plane_mm,
                              r.in_plane_95_mm));
  }
  if (!v.devices.empty()) console.say("Metal against where it was planned:");
  for (const DeviceOutcome& d : v.devices) {
    if (!d.seen) {
      console.say(fmt::format("  {:<4} not found", d.id));
      continue;
    }
    std::string warnings;
    for (const std::string& w : d.warnings) warnings += "; " + w;
    console.say(fmt::format("  {:<4} entry {:.1f} mm, tip {:.1f} mm, axis {:.0f} deg off{}", d.id, d.entry_off_mm,
                            d.tip_off_mm, toDegrees(d.axis_off_rad), warnings));
  }
  if (v.since) {
    console.say(fmt::format("Since the earlier check{}:", v.since->since.empty() ? "" : " of " + v.since->since));
    for (const RayChange& c : v.since->rays)
      console.say(fmt::format("  ray {}  {} (± {:.1f} mm, ± {:.1f} deg)", c.ray, c.words, c.shift_95_mm,
                              toDegrees(c.turn_95_rad)));
    for (const DeviceChange& c : v.since->devices)
      console.say(
          fmt::format("  {:<4} {}{}", c.id, c.words, c.seen ? fmt::format(" (± {:.1f} mm)", c.shift_95_mm) : ""));
  }
  for (const std::string& text : v.cautions) console.caution(text);
  console.say(fmt::format("\nReduction: {}{}\nWritten: {}", wordOf(v.verdict), v.sure ? "" : ", not sure", out));
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
  CLI::App* verb = app.add_subcommand("verify", "check bones and metal on films or a CT taken after the operation");
  verb->add_option("plan", options->plan, "folder that `rayset plan` wrote")->required();
  verb->add_option("--films", options->films,
                   "two or more films (DICOM), from clearly different sides; one alone tells what is off in its plane");
  auto* ct = verb->add_option("--ct", options->ct, "a CT taken after the operation, in place of films");
  verb->add_option("--series", options->series, "the series to use where the CT's folder holds several")->needs(ct);
  verb->add_option("--views", options->views,
                   "the view of each film, where its header does not tell: dorsoplantar-15, oblique-30, lateral, "
                   "lateromedial, or tube "
                   "angles in degrees like orbital=30,tilt=10");
  verb->add_option("--out", options->out, "folder for verification.pdf, verification.json and pictures")->required();
  verb->add_option("--earlier", options->earlier,
                   "folder that an earlier `rayset verify` of this foot wrote: what has changed since");
  verb->add_flag("--temporary", options->temporary, "the temporary wires are still in");
  verb->add_flag("--force", options->force, "replace an earlier result in the same folder");
  verb->callback([options, &console, &status] { status = verify(*options, console); });
}

}  // namespace rayset::app
