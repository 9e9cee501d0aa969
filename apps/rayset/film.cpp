// rayset film: read plane radiographs and measure them; no CT needed.
#include <fmt/format.h>

#include <cmath>
#include <fstream>
#include <memory>
#include <set>

#include "films/film_reading.h"
#include "geometry/side.h"
#include "report/film_report.h"
#include "runs/staging.h"
#include "verbs.h"

namespace rayset::app {
namespace {

namespace fs = std::filesystem;

struct Options {
  std::vector<std::string> files;
  std::string landmarks, out;
  int frame = 0;
  bool force = false, no_snap = false;
};

std::string withUnit(double value, const std::string& unit) {
  return fmt::format("{:.1f} {}", std::abs(value) < 0.05 ? 0.0 : value, unit == "deg" ? "degrees" : unit);
}

void describe(const FilmInfo& i, Console& console) {
  console.say(fmt::format("{}: {}, {} x {}{}; view {}; side {}; {}", i.file, nameOf(i.kind),
                          i.field.right - i.field.left, i.field.bottom - i.field.top,
                          i.field.origin == FilmField::Origin::kWhole ? "" : " exposed pixels",
                          i.view ? std::string(wordOf(*i.view)) : "not told",
                          i.both_sides              ? "both"
                          : !i.side                 ? "not told"
                          : *i.side == Side::kRight ? "right"
                                                    : "left",
                          i.spacing.known() ? fmt::format("pixels {:.3f} mm ({})", i.spacing.column_mm, i.spacing.text)
                                            : "size of a pixel not told"));
}

void summarise(const FilmReading& r, const fs::path& out, Console& console) {
  console.say(
      fmt::format("\n{} foot, {} film{}", sideCapitals(r.injured), r.films.size(), r.films.size() == 1 ? "" : "s"));
  for (const FilmMeasure& m : r.measures) {
    std::string line = fmt::format("  {:<42} {:>12} +- {:.1f}", m.name, withUnit(m.value, m.unit), m.uncertainty);
    if (m.difference)
      line += fmt::format(", other foot {}, difference {:+.1f}", withUnit(*m.other, m.unit),
                          std::abs(*m.difference) < 0.05 ? 0.0 : *m.difference);
    line += !m.abnormal ? "" : m.borderline ? "  at the limit" : *m.abnormal ? "  ABNORMAL" : "  within limits";
    console.say(line);
    for (const AppliedLimit& a : m.limits)
      if (a.exceeded || !a.decides)
        console.say(fmt::format("      {} {} ({}){}", a.exceeded ? "beyond:" : "limit:", a.words, a.source,
                                a.contradiction.empty() ? "" : ". " + a.contradiction));
  }
  for (const FleckFinding& f : r.flecks)
    console.say(fmt::format("  fleck {}{}", f.size_mm ? withUnit(*f.size_mm, "mm") : "marked",
                            f.in_interval ? (*f.in_interval ? ", between C1 and M2" : ", not between C1 and M2") : ""));
  console.say(fmt::format("Pattern, as far as films show it: Quenu and Kuss {}, Hardcastle {}, Myerson {}{}",
                          r.pattern.names.quenu_kuss.value, r.pattern.names.hardcastle.value,
                          r.pattern.names.myerson.value, r.pattern.holds ? "" : " (rests on what was not measured)"));
  console.say(fmt::format("Nunley and Vertullo: stage {}. {}", r.stage.value, r.stage.reason));
  for (const MeasuredFilm& f : r.films) {
    for (const auto& text : f.cautions) console.caution(f.scan.info.file + ": " + text);
    for (const MeasuredFoot& foot : f.feet)
      for (const auto& text : foot.cautions)
        console.caution(fmt::format("{}, {} foot: {}", f.scan.info.file, sideWord(foot.side), text));
  }
  for (const auto& text : r.cautions) console.caution(text);
  console.say("It advises; a licensed surgeon decides. Not a medical device.");
  console.say(
      fmt::format("Measures: {}\nReport:   {}", (out / "film.json").string(), (out / "film_report.pdf").string()));
}

/// Pictures with pixel coordinates and a landmarks file to be filled in.
int prepare(const std::vector<FilmScan>& scans, const Options& options, Console& console) {
  std::vector<FilmInfo> infos;
  for (const FilmScan& scan : scans) infos.push_back(scan.info);
  const auto patients = checkPatients(infos);
  if (!patients) return console.fail(patients.error());
  auto staging = Staging::open(options.out, "landmarks.json", options.force);
  if (!staging) return console.fail(staging.error());
  int number = 0;
  for (const FilmScan& scan : scans)
    if (const Status done = writeFilmPicture(staging->folder() / fmt::format("film_{}.png", ++number), scan); !done)
      return console.fail(done.error());
  if (const Status done = writeJson(staging->folder() / "landmarks.json", landmarkTemplate(infos)); !done)
    return console.fail(done.error());
  if (const Status done = staging->commit(); !done) return console.fail(done.error());
  for (const FilmScan& scan : scans) {
    describe(scan.info, console);
    for (const std::string& text : scan.cautions) console.caution(scan.info.file + ": " + text);
  }
  for (const std::string& text : *patients) console.caution(text);
  console.say(fmt::format(
      "Nothing was measured yet. Read the points off the pictures ({}), write them into {}, and run the "
      "command again with --landmarks and another --out.",
      (fs::path(options.out) / "film_1.png").string(), (fs::path(options.out) / "landmarks.json").string()));
  return 0;
}

int film(const Options& options, Console& console) {
  const auto resources = console.resources();
  if (!resources) return console.fail(resources.error());
  std::set<std::string> names;
  for (const std::string& file : options.files)
    if (!names.insert(fs::path(file).filename().string()).second)
      return console.fail({Fault::kRequest, "two films have the same file name", file,
                           "The landmarks file tells films by name: rename one of them."});
  std::optional<LandmarkFile> landmarks;
  if (!options.landmarks.empty()) {
    auto read = readLandmarks(options.landmarks);
    if (!read) return console.fail(read.error());
    landmarks = std::move(*read);
  }
  const Progress progress = console.progress();
  std::vector<FilmScan> scans;
  for (const std::string& file : options.files) {
    progress("reading films", static_cast<double>(scans.size()) / static_cast<double>(options.files.size()));
    FilmReadSettings settings{options.frame};
    if (landmarks && settings.frame == 0)
      for (const FilmLandmarks& f : landmarks->films)
        if (fs::path(f.file).filename() == fs::path(file).filename()) settings.frame = f.frame;
    auto scan = readFilm(file, settings);
    if (!scan) return console.fail(scan.error());
    scans.push_back(std::move(*scan));
    if (progress.cancelled()) return console.fail(cancelledError().value());
  }
  progress("reading films", 1);
  if (!landmarks) return prepare(scans, options, console);

  auto staging = Staging::open(options.out, "film.json", options.force);
  if (!staging) return console.fail(staging.error());
  FilmSettings settings;
  settings.snapping = !options.no_snap;
  progress("measuring", 0);
  const auto reading = measureFilms(std::move(scans), *landmarks, resources->limits, settings);
  if (!reading) return console.fail(reading.error());
  progress("measuring", 1);
  progress("report", 0);
  if (const Status done = writeFilmReport(*reading, staging->folder()); !done) return console.fail(done.error());
  progress("report", 1);
  if (progress.cancelled()) return console.fail(cancelledError().value());
  if (const Status done = writeJson(staging->folder() / "film.json", filmJson(*reading)); !done)
    return console.fail(done.error());
  if (const Status done = staging->commit(); !done) return console.fail(done.error());
  summarise(*reading, options.out, console);
  return reading->partial ? 4 : 0;
}

}  // namespace

void addFilmVerb(CLI::App& app, Console& console, int& status) {
  auto options = std::make_shared<Options>();
  CLI::App* verb = app.add_subcommand("film", "read plane radiographs of the foot and measure them; no CT needed");
  verb->add_option("films", options->files, "DICOM files of radiographs (DX, CR, RF, XA), of one patient")->required();
  verb->add_option("--landmarks", options->landmarks,
                   "points placed by hand, a JSON file (docs/films.md); without it a file to be filled in is written");
  verb->add_option("--out", options->out, "folder for film.json, film_report.pdf and pictures")->required();
  verb->add_option("--frame", options->frame, "frame of a run to use, from 1 (the first)")->check(CLI::PositiveNumber);
  verb->add_flag("--no-snap", options->no_snap, "leave the points where they were placed, do not move them to edges");
  verb->add_flag("--force", options->force, "replace an earlier result in the same folder");
  verb->callback([options, &console, &status] { status = film(*options, console); });
}

}  // namespace rayset::app
