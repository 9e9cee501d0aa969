// rayset plan: from a folder of DICOM to a plan.
#include <fmt/format.h>

#include "base/units.h"
#include "case/case.h"
#include "geometry/side.h"
#include "injury/shift_words.h"
#include "runs/runs.h"
#include "runs/staging.h"
#include "verbs.h"

namespace rayset::app {
namespace {

struct Options {
  std::string images, other, out, side, series, edit, lateral = "screws";
  bool force = false;
};

std::string describe(const RayDisplacement& d) {
  if (!d.told) return fmt::format("  ray {}  cannot be told ({:.1f} mm)", d.ray, d.asideMm());
  if (!d.displaced) return fmt::format("  ray {}  in place ({:.1f} mm)", d.ray, d.asideMm());
  return fmt::format("  ray {}  displaced: {}", d.ray, fmt::join(shiftParts(d), ", "));
}

void summarise(const Case& c, const std::filesystem::path& out, Console& console) {
  console.say(fmt::format("\n{} foot of {} ({})", sideCapitals(c.side),
                          c.scan.patient_name.empty() ? "unnamed patient" : c.scan.patient_name,
                          c.scan.patient_id.empty() ? "no id" : c.scan.patient_id));
  for (const auto& [ray, d] : c.rays) {
    console.say(describe(d));
  }
  console.say(fmt::format("Pattern: Quenu and Kuss {}, Hardcastle {}, Myerson {}", c.patterns.quenu_kuss.value,
                          c.patterns.hardcastle.value, c.patterns.myerson.value));
  console.say(fmt::format("Reduction by {}:", c.reduction.method == ReductionMethod::kContralateral
                                                  ? "the other foot, mirrored"
                                                  : "joint congruence"));
  for (const Ray ray : c.reduction.order) {
    const RayReduction* r = find(c.reduction.rays, ray);
    if (r == nullptr) continue;
    console.say(r->by_hand ? fmt::format("  ray {}  placed by hand", ray)
                           : fmt::format("  ray {}  to within {:.1f} mm, {:.1f} deg (95 %)", ray, r->uncertainty_mm,
                                         toDegrees(r->uncertainty_rad)));
  }
  console.say("Fixation:");
  for (const Device& d : c.fixation.devices) {
    std::string through;
    for (const auto& bone : d.through) through += (through.empty() ? "" : " to ") + bone;
    console.say(fmt::format("  {:<4} {} {:.1f} x {:.0f} mm, {}, {}{}", d.id, traits(d.kind).word, d.diameter_mm,
                            d.length_mm, through, word(d.stage), d.warnings.empty() ? "" : " - see warnings"));
  }
  for (const auto& text : c.cautions) console.caution(text);
  console.say(fmt::format("Plan:   {}\nReport: {}", (out / "plan.json").string(), (out / "report.pdf").string()));
}

int plan(const Options& options, Console& console) {
  const auto resources = console.resources();
  if (!resources) return console.fail(resources.error());
  PlanRequest request;
  request.images = options.images;
  request.other = options.other;
  request.series = options.series;
  request.construct.lateral_wires = options.lateral == "wires";
  request.side = sideFrom(options.side);

  if (!options.edit.empty()) {
    auto edits = readEdits(options.edit);
    if (!edits) return console.fail(edits.error());
    request.edits = std::move(*edits);
  }

  auto staging = Staging::open(options.out, "plan.json", options.force);
  if (!staging) return console.fail(staging.error());
  const Progress progress = console.progress();
  const auto planned = planInto(request, *resources, staging->folder(), progress);
  if (!planned) return console.fail(planned.error());
  if (const Status done = staging->commit(); !done) return console.fail(done.error());
  summarise(*planned, options.out, console);
  return planned->partial ? 4 : 0;
}

}  // namespace

void addPlanVerb(CLI::App& app, Console& console, int& status) {
  auto options = std::make_shared<Options>();
  CLI::App* verb = app.add_subcommand("plan", "read the CT of an injured foot and write a plan");
  verb->add_option("images", options->images, "folder of DICOM images (searched with its sub-folders)")->required();
  verb->add_option("--out", options->out, "folder for plan.json, report.pdf, surfaces and pictures")->required();
  verb->add_option("--side", options->side, "the injured side, when the anatomy should not decide")
      ->check(CLI::IsMember({"left", "right"}));
  verb->add_option("--other", options->other, "images of the other, uninjured foot");
  verb->add_option("--series", options->series, "series to read: UID, number or description");
  verb->add_option("--lateral", options->lateral, "how rays 4 and 5 are fixed")
      ->check(CLI::IsMember({"screws", "wires"}))
      ->capture_default_str();
  verb->add_option("--edit", options->edit, "corrections by hand, a JSON file (docs/edits.md)");
  verb->add_flag("--force", options->force, "replace an earlier plan in the same folder");
  verb->callback([options, &console, &status] { status = plan(*options, console); });
}

}  // namespace rayset::app
