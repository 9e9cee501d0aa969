// Accuracy on feet whose truth is known: a matrix of feet, injuries and scans through the whole chain (scan -> bones ->
// reduction -> displacement -> patterns -> fixation).
//
//   bench_accuracy [--subset WORD] [--only TEXT] [--leave-out PERSON] [--out FILE.jsonl] [--report FILE.md]
//                  [--check BASELINE.json [--update]] [--pictures DIR] [--list] ...
//
// Every run writes one line of JSON (evaluate.h) to --out and is not done again when its line is there already, so an
// interrupted matrix goes on where it stopped. Real feet come from ../shared/data/feet and are left out, with a
// message, where the folder is missing; pictures of them must not be published.
#include <fmt/format.h>

#include <CLI/CLI.hpp>
#include <filesystem>
#include <fstream>
#include <map>

#include "baseline.h"
#include "bench_data.h"
#include "cases.h"
#include "evaluate.h"
#include "summary.h"

namespace {

using namespace rayset::accuracy;

/// The lines of a results file; one that was cut off by an interruption is left out.
std::vector<Record> readRecords(const std::filesystem::path& file) {
  std::vector<Record> records;
  std::ifstream in(file);
  for (std::string line; std::getline(in, line);) {
    if (line.empty()) continue;
    Record record = Record::parse(line, nullptr, false);
    if (record.is_discarded() || !record.contains("key"))
      fmt::print(stderr, "{}: a broken line is left out\n", file.string());
    else
      records.push_back(std::move(record));
  }
  return records;
}

}  // namespace

int main(int argc, char** argv) {
  CLI::App app{"Accuracy of the whole chain on feet whose truth is known"};
  bool quick = false, also_other = true, list = false, no_runs = false, update = false;
  std::string subset = "standard", only, person, injury, pictures, out, report, baseline;
  double spacing = 0;
  app.add_option("--subset", subset, "which runs (see cases.h)")
      ->check(CLI::IsMember(subsets()))
      ->capture_default_str();
  app.add_flag("--quick", quick, "same as --subset quick: one procedural and the real feet, two injuries each");
  app.add_flag("!--no-other", also_other, "skip the runs with the other foot");
  app.add_option("--only", only, "only runs whose key contains this");
  app.add_option(
      "--leave-out", person,
      "only the feet of this person, whose figures are left out (as they are of everybody on their own feet)");
  app.add_option("--injury", injury, "only this injury");
  app.add_option("--spacing", spacing, "voxel size of the scans in place of the subset's own, mm");
  app.add_flag("--list", list, "print the keys of the runs and end");
  app.add_option("--pictures", pictures, "folder for pictures of every run");
  app.add_option("--out", out, "one line of JSON a run; runs that are there already are not done again");
  app.add_flag("--no-runs", no_runs, "do nothing that is not in --out yet (report and check only)");
  app.add_option("--report", report, "write the Markdown of the chosen runs to this file, below the words kept there");
  auto* check = app.add_option("--check", baseline, "compare with this baseline; exit 1 where a figure regresses");
  app.add_flag("--update", update, "write the baseline anew instead")->needs(check);
  CLI11_PARSE(app, argc, argv);

  std::vector<AccuracyCase> cases = casesOf(quick ? "quick" : subset);
  for (AccuracyCase& c : cases)
    if (spacing > 0) c.pixel_mm = c.slice_mm = spacing;
  std::erase_if(cases, [&](const AccuracyCase& c) {
    return c.key().find(only) == std::string::npos || (!injury.empty() && c.injury != injury) ||
           (!person.empty() && !c.isOf(person)) || (!also_other && c.other != rayset::OtherFoot::kNone);
  });
  if (list) {
    for (const AccuracyCase& c : cases) fmt::print("{}\n", c.key());
    fmt::print(stderr, "{} runs\n", cases.size());
    return 0;
  }

  std::map<std::string, Record> done;
  if (!out.empty())
    for (Record& record : readRecords(out)) done.insert_or_assign(record["key"].get<std::string>(), std::move(record));
  std::vector<Record> records;
  fmt::print("{}", kRowHeader);
  std::size_t failures = 0;
  for (const AccuracyCase& c : cases) {
    auto found = done.find(c.key());
    if (found == done.end()) {
      if (no_runs) continue;
      found = done.emplace(c.key(), evaluate(c, pictures)).first;
      if (!out.empty()) {
        std::ofstream file(out, std::ios::app);
        file << found->second.dump(-1, ' ', false, Record::error_handler_t::replace) << '\n';
        file.close();
        if (!file) {
          fmt::print(stderr, "{} could not be written\n", out);
          return 1;
        }
      }
    }
    records.push_back(found->second);
    failures += found->second["failure"].is_null() ? 0 : 1;
    fmt::print("{}", rowOf(found->second));
    std::fflush(stdout);
  }
  if (!report.empty()) {
    const std::string preface = prefaceOf(report);
    std::ofstream file(report);
    file << preface << markdown(records);
    file.close();
    if (!file) {
      fmt::print(stderr, "{} could not be written\n", report);
      return 1;
    }
  }
  if (baseline.empty()) return failures == 0 ? 0 : 1;
  if (update) {
    if (const auto written = writeBaseline(baseline, records); !written) {
      fmt::print(stderr, "{}\n", english(written.error()));
      return 1;
    }
    fmt::print("\nBaseline written: {}\n", baseline);
    return 0;
  }
  const auto compared = compareWithBaseline(baseline, records);
  if (!compared) {
    fmt::print(stderr, "{}\n", english(compared.error()));
    return 1;
  }
  fmt::print("\n");
  for (const auto& line : compared->lines) fmt::print("{}\n", line);
  for (const auto& line : compared->regressed) fmt::print("REGRESSED: {}\n", line);
  return compared->regressed.empty() ? 0 : 1;
}
