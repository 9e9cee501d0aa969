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
  if (const Status s = writePlan(edited, staging->folder(), console.progress()); !s) return console.fail(s.error());
  if (const Status done = staging->commit(); !done) return console.fail(done.error());
  for (const CaseEdit& e : edits) console.say(editWords(e.kind, e.payload, {}));
  for (const auto& text : edited.cautions) console.caution(text);
  console.say(fmt::format("The plan under {} edits: {}", edits.size(), options.out));
  return 0;
}

}  // namespace

void addReplayVerb(CLI::App& app, Console& console, int& status) {
  auto options = std::make_shared<Options>();
  CLI::App* verb = app.add_subcommand("replay", "write a plan as it was edited in the workstation");
  verb->add_option("plan", options->plan, "folder that `rayset plan` wrote")->required();
  verb->add_option("--history", options->history, "case.json that the workstation exported")->required();
  verb->add_option("--images", options->images, "folder of the CT that was planned from, where a device was moved");
  verb->add_option("--out", options->out, "folder for the plan as edited")->required();
  verb->add_flag("--force", options->force, "replace an earlier plan in the same folder");
  verb->callback([options, &console, &status] { status = replay(*options, console); });
}

}  // namespace rayset::app
