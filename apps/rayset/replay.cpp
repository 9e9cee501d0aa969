// rayset replay: the plan as a surgeon edited it in the workstation, recreated from the plan and the case's history.
#include <fmt/format.h>

#include "runs/runs.h"
#include "runs/staging.h"
#include "verbs.h"
#include "workspace/edit_registry.h"
#include "workspace/open_case.h"

namespace rayset::app {
namespace {

struct Options {
  std::string plan, history, images, out;
  bool force = false;
};

int replay(const Options& options, Console& console) {
  const auto resources = console.resources();
  if (!resources) return console.fail(resources.error());
  const auto history = readHistory(options.history);
  if (!history) return console.fail(history.error());
  auto staging = Staging::open(options.out, "plan.json", options.force);
  if (!staging) return console.fail(staging.error());
  const std::vector<CaseEdit> edits = editsInForce(*history);
  auto open = OpenCase::open(options.plan, options.images, *resources);
  if (!open) return console.fail(open.error());
  if (const Status s = (*open)->replay(edits); !s) return console.fail(s.error());
  if (const Status s = (*open)->loadVolumes(); !s) return console.fail(s.error());
  const Case& edited = (*open)->edited();
  if (const Status s = writePlan(console.words, edited, staging->folder(), console.progress()); !s)
    return console.fail(s.error());
  if (const Status done = staging->commit(); !done) return console.fail(done.error());
  for (const CaseEdit& e : edits) console.say(editWords(e.kind, e.payload, {}));
  for (const auto& text : edited.cautions) console.caution(text);
  console.say(console.words("cli.plan_under_edits", {{"edits", edits.size()}, {"out", options.out}}));
  return 0;
}

}  // namespace

void addReplayVerb(CLI::App& app, Console& console, int& status) {
  auto options = std::make_shared<Options>();
  CLI::App* verb = app.add_subcommand("replay", console.words("cli.write_plan_edited_workstation"));
  verb->add_option("plan", options->plan, console.words("cli.folder_rayset_plan_wrote"))->required();
  verb->add_option("--history", options->history, console.words("cli.case_json_workstation_exported"))->required();
  verb->add_option("--images", options->images, console.words("cli.folder_ct_planned_where_device_moved"));
  verb->add_option("--out", options->out, console.words("cli.folder_plan_edited"))->required();
  verb->add_flag("--force", options->force, console.words("cli.replace_earlier_plan_same_folder"));
  verb->callback([options, &console, &status] { status = replay(*options, console); });
}

}  // namespace rayset::app
