// rayset film: read plane radiographs and measure them; no CT needed.
#include <fmt/format.h>

#include <cmath>
#include <fstream>
#include <memory>
#include <set>

#include "films/film_reading.h"
#include "geometry/side.h"
#include "language/spoken.h"
#include "report/film_report.h"
#include "report/words.h"
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

/// Columns of a table on a terminal: no sign on what rounds to nothing.
Quantity inUnit(double value, const std::string& unit) {
  return {std::abs(value) < 0.05 ? 0.0 : value, unitOf(unit), 1};
}

void describe(const FilmInfo& i, Console& console) {
  const Message not_told("cli.not_told");
  console.say(Message("cli.film_described",
                      {{"file", i.file},
                       {"kind", nameOf(i.kind)},
                       {"columns", i.field.right - i.field.left},
                       {"rows", i.field.bottom - i.field.top},
                       {"exposed", i.field.origin == FilmField::Origin::kWhole ? "no" : "yes"},
                       {"view", i.view ? nameOfKey(wordOf(*i.view)) : not_told},
                       {"side", i.both_sides ? Message("cli.both_sides")
                                : i.side     ? nameOf(*i.side)
                                             : not_told},
                       {"size", i.spacing.known() ? Message("cli.pixels", {{"column", mm(i.spacing.column_mm, 3)},
                                                                           {"text", i.spacing.text}})
                                                  : Message("cli.size_pixel_not_told")}}));
}

void summarise(const FilmReading& r, const fs::path& out, Console& console) {
  console.say(Message("cli.foot_film", {{"side_capitals", words::capitals(r.injured)}, {"films", r.films.size()}}));
  for (const FilmMeasure& m : r.measures) {
    std::string line =
        fmt::format("  {:<42} {:>12} +- {}", console.words(m.name), console.words.text(inUnit(m.value, m.unit)),
                    console.words.text(number(m.uncertainty, 1)));
    if (m.difference)
      line += console.words(
          "cli.other_foot_difference",
          {{"with_unit", inUnit(*m.other, m.unit)},
           {"difference", Quantity{std::abs(*m.difference) < 0.05 ? 0.0 : *m.difference, Unit::kNone, 1, true}}});
    if (m.abnormal)
      line += console.words(m.borderline ? "cli.limit" : *m.abnormal ? "cli.measure_abnormal" : "cli.within_limits");
    console.say(line);
    for (const AppliedLimit& a : m.limits)
      if (a.exceeded || !a.decides)
        console.say(Message(
            a.exceeded ? "cli.limit_beyond" : "cli.limit_stated",
            {{"limit", a.words},
             {"source", a.source},
             {"contradiction",
              a.contradiction.empty() ? Message() : Message("cli.and_sentence", {{"sentence", a.contradiction}})}}));
  }
  for (const FleckFinding& f : r.flecks)
    console.say(Message("cli.fleck", {{"size", f.size_mm ? Value(mm(*f.size_mm)) : Value(Message("cli.fleck_marked"))},
                                      {"between", !f.in_interval   ? ""
                                                  : *f.in_interval ? "yes"
                                                                   : "no"}}));
  console.say(Message("cli.pattern_far_films_show_quenu_kuss",
                      {{"quenu_kuss", nameOfKey(r.pattern.names.quenu_kuss.value)},
                       {"hardcastle", nameOfKey(r.pattern.names.hardcastle.value)},
                       {"myerson", nameOfKey(r.pattern.names.myerson.value)},
                       {"holds", r.pattern.holds ? Message() : Message("cli.rests_on_unmeasured")}}));
  console.say(Message("cli.nunley_vertullo_stage", {{"stage", nameOfKey(r.stage.value)}, {"reason", r.stage.reason}}));
  for (const MeasuredFilm& f : r.films) {
    for (const Message& text : f.cautions)
      console.caution(Message("cli.of_film", {{"file", f.scan.info.file}, {"text", text}}));
    for (const MeasuredFoot& foot : f.feet)
      for (const auto& text : foot.cautions)
        console.caution(
            Message("cli.of_foot", {{"file", f.scan.info.file}, {"side", nameOf(foot.side)}, {"text", text}}));
  }
  for (const auto& text : r.cautions) console.caution(text);
  console.say(Message("cli.advises_licensed_surgeon_decides_not_medical"));
  console.say(Message("cli.written_film",
                      {{"measures", (out / "film.json").string()}, {"report", (out / "film_report.pdf").string()}}));
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
    if (const Status done =
            writeFilmPicture(console.words, staging->folder() / fmt::format("film_{}.png", ++number), scan);
        !done)
      return console.fail(done.error());
  if (const Status done =
          writeJson(staging->folder() / "landmarks.json", inWords(landmarkTemplate(infos), console.words));
      !done)
    return console.fail(done.error());
  if (const Status done = staging->commit(); !done) return console.fail(done.error());
  for (const FilmScan& scan : scans) {
    describe(scan.info, console);
    for (const Message& text : scan.cautions)
      console.caution(Message("cli.of_film", {{"file", scan.info.file}, {"text", text}}));
  }
  for (const Message& text : *patients) console.caution(text);
  console.say(console.words("cli.nothing_measured_yet_read_points_off",
                            {{"string", (fs::path(options.out) / "film_1.png").string()},
                             {"string_2", (fs::path(options.out) / "landmarks.json").string()}}));
  return 0;
}

int film(const Options& options, Console& console) {
  const auto resources = console.resources();
  if (!resources) return console.fail(resources.error());
  std::set<std::string> names;
  for (const std::string& file : options.files)
    if (!names.insert(fs::path(file).filename().string()).second)
      return console.fail({Fault::kRequest, Message("cli.two_films_have_same_file_name"), file,
                           Message("cli.landmarks_file_tells_films_name_rename")});
  std::optional<LandmarkFile> landmarks;
  if (!options.landmarks.empty()) {
    auto read = readLandmarks(options.landmarks);
    if (!read) return console.fail(read.error());
    landmarks = std::move(*read);
  }
  const Progress progress = console.progress();
  std::vector<FilmScan> scans;
  for (const std::string& file : options.files) {
    progress("reading_films", static_cast<double>(scans.size()) / static_cast<double>(options.files.size()));
    FilmReadSettings settings{options.frame};
    if (landmarks && settings.frame == 0)
      for (const FilmLandmarks& f : landmarks->films)
        if (fs::path(f.file).filename() == fs::path(file).filename()) settings.frame = f.frame;
    auto scan = readFilm(file, settings);
    if (!scan) return console.fail(scan.error());
    scans.push_back(std::move(*scan));
    if (progress.cancelled()) return console.fail(cancelledError().value());
  }
  progress("reading_films", 1);
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
  if (const Status done = writeFilmReport(console.words, *reading, staging->folder()); !done)
    return console.fail(done.error());
  progress("report", 1);
  if (progress.cancelled()) return console.fail(cancelledError().value());
  if (const Status done = writeJson(staging->folder() / "film.json", filmJson(*reading, console.words)); !done)
    return console.fail(done.error());
  if (const Status done = staging->commit(); !done) return console.fail(done.error());
  summarise(*reading, options.out, console);
  return reading->partial ? 4 : 0;
}

}  // namespace

void addFilmVerb(CLI::App& app, Console& console, int& status) {
  auto options = std::make_shared<Options>();
  CLI::App* verb = app.add_subcommand("film", console.words("cli.read_plane_radiographs_foot_measure_them"));
  verb->add_option("films", options->files, console.words("cli.dicom_files_radiographs_dx_cr_rf"))->required();
  verb->add_option("--landmarks", options->landmarks, console.words("cli.points_placed_hand_json_file_docs"));
  verb->add_option("--out", options->out, console.words("cli.folder_film_json_film_report_pdf"))->required();
  verb->add_option("--frame", options->frame, console.words("cli.frame_run_use_1_first"))->check(CLI::PositiveNumber);
  verb->add_flag("--no-snap", options->no_snap, console.words("cli.leave_points_where_they_placed_do"));
  verb->add_flag("--force", options->force, console.words("cli.replace_earlier_result_same_folder"));
  verb->callback([options, &console, &status] { status = film(*options, console); });
}

}  // namespace rayset::app
