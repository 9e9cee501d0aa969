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
  console.say(fmt::format("{}: {}, {} x {}{}; view {}; side {}; {}", i.file, console.words(nameOf(i.kind)),
                          i.field.right - i.field.left, i.field.bottom - i.field.top,
                          i.field.origin == FilmField::Origin::kWhole ? "" : console.words("cli.exposed_pixels"),
                          i.view ? std::string(wordOf(*i.view)) : console.words("cli.not_told"),
                          i.both_sides              ? "both"
                          : !i.side                 ? console.words("cli.not_told")
                          : *i.side == Side::kRight ? "right"
                                                    : "left",
                          i.spacing.known() ? console.words("cli.pixels", {{"column", mm(i.spacing.column_mm, 3)},
                                                                           {"text", i.spacing.text}})
                                            : console.words("cli.size_pixel_not_told")));
}

void summarise(const FilmReading& r, const fs::path& out, Console& console) {
  console.say(console.words("cli.foot_film", {{"side_capitals", sideCapitals(r.injured)}, {"films", r.films.size()}}));
  for (const FilmMeasure& m : r.measures) {
    std::string line =
        fmt::format("  {:<42} {:>12} +- {:.1f}", console.words(m.name), withUnit(m.value, m.unit), m.uncertainty);
    if (m.difference)
      line += console.words(
          "cli.other_foot_difference",
          {{"with_unit", withUnit(*m.other, m.unit)},
           {"difference", Quantity{std::abs(*m.difference) < 0.05 ? 0.0 : *m.difference, Unit::kNone, 1, true}}});
    line += !m.abnormal    ? ""
            : m.borderline ? console.words("cli.limit")
            : *m.abnormal  ? "  ABNORMAL"
                           : console.words("cli.within_limits");
    console.say(line);
    for (const AppliedLimit& a : m.limits)
      if (a.exceeded || !a.decides)
        console.say(fmt::format("      {} {} ({}){}", a.exceeded ? "beyond:" : "limit:", console.words(a.words),
                                a.source, a.contradiction.empty() ? "" : ". " + console.words(a.contradiction)));
  }
  for (const FleckFinding& f : r.flecks)
    console.say(fmt::format(
        "  fleck {}{}", f.size_mm ? withUnit(*f.size_mm, "mm") : "marked",
        f.in_interval ? (*f.in_interval ? ", between C1 and M2" : console.words("cli.not_between_c1_m2")) : ""));
  console.say(console.words("cli.pattern_far_films_show_quenu_kuss",
                            {{"quenu_kuss", r.pattern.names.quenu_kuss.value},
                             {"hardcastle", r.pattern.names.hardcastle.value},
                             {"myerson", r.pattern.names.myerson.value},
                             {"holds", r.pattern.holds ? "" : " (rests on what was not measured)"}}));
  console.say(console.words("cli.nunley_vertullo_stage", {{"stage", r.stage.value}, {"reason", r.stage.reason}}));
  for (const MeasuredFilm& f : r.films) {
    for (const Message& text : f.cautions) console.caution(f.scan.info.file + ": " + console.words(text));
    for (const MeasuredFoot& foot : f.feet)
      for (const auto& text : foot.cautions)
        console.caution(fmt::format("{}, {} foot: {}", f.scan.info.file, sideWord(foot.side), console.words(text)));
  }
  for (const auto& text : r.cautions) console.caution(text);
  console.say(console.words("cli.advises_licensed_surgeon_decides_not_medical"));
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
    if (const Status done =
            writeFilmPicture(console.words, staging->folder() / fmt::format("film_{}.png", ++number), scan);
        !done)
      return console.fail(done.error());
  if (const Status done = writeJson(staging->folder() / "landmarks.json", landmarkTemplate(infos)); !done)
    return console.fail(done.error());
  if (const Status done = staging->commit(); !done) return console.fail(done.error());
  for (const FilmScan& scan : scans) {
    describe(scan.info, console);
    for (const Message& text : scan.cautions) console.caution(scan.info.file + ": " + console.words(text));
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
    progress(console.words("cli.reading_films"),
             static_cast<double>(scans.size()) / static_cast<double>(options.files.size()));
    FilmReadSettings settings{options.frame};
    if (landmarks && settings.frame == 0)
      for (const FilmLandmarks& f : landmarks->films)
        if (fs::path(f.file).filename() == fs::path(file).filename()) settings.frame = f.frame;
    auto scan = readFilm(file, settings);
    if (!scan) return console.fail(scan.error());
    scans.push_back(std::move(*scan));
    if (progress.cancelled()) return console.fail(cancelledError().value());
  }
  progress(console.words("cli.reading_films"), 1);
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
