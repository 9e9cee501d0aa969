// rayset plan: from a folder of DICOM to a plan.
#include <fmt/format.h>

#include "base/units.h"
#include "case/case.h"
#include "geometry/side.h"
#include "injury/shift_words.h"
#include "report/words.h"
#include "runs/runs.h"
#include "runs/staging.h"
#include "verbs.h"

namespace rayset::app {
namespace {

struct Options {
  std::string images, other, out, side, series, edit, lateral = "screws";
  bool force = false;
};

Message describe(const RayDisplacement& d) {
  if (!d.told) return Message("cli.ray_cannot_told", {{"ray", d.ray}, {"aside_mm", mm(d.asideMm())}});
  if (!d.displaced) return Message("cli.ray_place", {{"ray", d.ray}, {"aside_mm", mm(d.asideMm())}});
  return Message("cli.ray_displaced", {{"ray", d.ray}, {"shift", all(shiftParts(d))}});
}

void summarise(const Case& c, const std::filesystem::path& out, Console& console) {
  console.say(console.words(
      "cli.foot",
      {{"side_capitals", words::capitals(c.side)},
       {"patient_name",
        c.scan.patient_name.empty() ? Value(Message("cli.unnamed_patient")) : Value(c.scan.patient_name)},
       {"patient_id", c.scan.patient_id.empty() ? Value(Message("cli.no_id")) : Value(c.scan.patient_id)}}));
  for (const auto& [ray, d] : c.rays) {
    console.say(describe(d));
  }
  console.say(console.words("cli.pattern_quenu_kuss_hardcastle_myerson",
                            {{"quenu_kuss", nameOfKey(c.patterns.quenu_kuss.value)},
                             {"hardcastle", nameOfKey(c.patterns.hardcastle.value)},
                             {"myerson", nameOfKey(c.patterns.myerson.value)}}));
  console.say(console.words("cli.reduction", {{"congruence", c.reduction.method == ReductionMethod::kContralateral
                                                                 ? Message("cli.by_other_foot")
                                                                 : Message("cli.by_congruence")}}));
  for (const Ray ray : c.reduction.order) {
    const RayReduction* r = find(c.reduction.rays, ray);
    if (r == nullptr) continue;
    console.say(r->by_hand ? console.words("cli.ray_placed_hand", {{"ray", ray}})
                           : console.words("cli.ray_within_deg_95",
                                           {{"ray", ray},
                                            {"uncertainty", mm(r->uncertainty_mm)},
                                            {"uncertainty_2", number(toDegrees(r->uncertainty_rad), 1)}}));
  }
  console.say(Message("cli.fixation"));
  for (const Device& d : c.fixation.devices) {
    Value through = d.through.empty() ? Value("") : Value(d.through.front());
    for (std::size_t i = 1; i < d.through.size(); ++i)
      through = Message("cli.through_two", {{"first", through}, {"second", d.through[i]}});
    const Message line("cli.device", {{"kind", nameOfKey(traits(d.kind).word)},
                                      {"diameter", number(d.diameter_mm, 1)},
                                      {"length", mm(d.length_mm, 0)},
                                      {"through", through},
                                      {"stage", nameOfKey(word(d.stage))},
                                      {"warnings", d.warnings.size()}});
    console.say(fmt::format("  {:<4} {}", d.id, console.words(line)));
  }
  for (const auto& text : c.cautions) console.caution(text);
  console.say(
      Message("cli.written_plan", {{"plan", (out / "plan.json").string()}, {"report", (out / "report.pdf").string()}}));
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
  CLI::App* verb = app.add_subcommand("plan", console.words("cli.read_ct_injured_foot_write_plan"));
  verb->add_option("images", options->images, console.words("cli.folder_dicom_images_searched_sub_folders"))
      ->required();
  verb->add_option("--out", options->out, console.words("cli.folder_plan_json_report_pdf_surfaces"))->required();
  verb->add_option("--side", options->side, console.words("cli.injured_side_when_anatomy_should_not"))
      ->check(CLI::IsMember({"left", "right"}));
  verb->add_option("--other", options->other, console.words("cli.images_other_uninjured_foot"));
  verb->add_option("--series", options->series, console.words("cli.series_read_uid_number_description"));
  verb->add_option("--lateral", options->lateral, console.words("cli.how_rays_4_5_fixed"))
      ->check(CLI::IsMember({"screws", "wires"}))
      ->capture_default_str();
  verb->add_option("--edit", options->edit, console.words("cli.corrections_hand_json_file_docs_edits"));
  verb->add_flag("--force", options->force, console.words("cli.replace_earlier_plan_same_folder"));
  verb->callback([options, &console, &status] { status = plan(*options, console); });
}

}  // namespace rayset::app
