#include "runs/runs.h"

#include <fmt/format.h>

#include <algorithm>
#include <chrono>
#include <fstream>

#include "base/json_file.h"
#include "base/units.h"
#include "dicom/film_writer.h"
#include "geometry/side.h"
#include "outcome/ct_check.h"
#include "report/film_shots.h"
#include "report/report.h"
#include "report/verification_report.h"
#include "report/views_codec.h"

namespace rayset {

Result<Case> planInto(const PlanRequest& request, const Resources& resources, const std::filesystem::path& folder,
                      const Progress& progress) {
  auto planned = planCase(request, resources, progress);
  if (!planned) return planned;
  if (const Status s = writeNewPlan(resources.words, *planned, folder, progress); !s) return tl::unexpected(s.error());
  return planned;
}

Status writeNewPlan(const Words& words, Case& c, const std::filesystem::path& folder, const Progress& progress) {
  const auto start = std::chrono::steady_clock::now();
  if (Status s = writeReport(words, c, folder, progress); !s) return s;
  c.timings_s["report"] = std::chrono::duration<double>(std::chrono::steady_clock::now() - start).count();
  if (progress.cancelled()) return cancelledError();
  return writeJson(folder / "plan.json", planJson(c, words));
}

Status writePlan(const Words& words, const Case& c, const std::filesystem::path& folder, const Progress& progress) {
  if (Status s = writeReport(words, c, folder, progress); !s) return s;
  return writeJson(folder / "plan.json", planJson(c, words));
}

nlohmann::json earlierCheck(const std::filesystem::path& folder) {
  std::ifstream in(folder / "verification.json");
  nlohmann::json j = nlohmann::json::parse(in, nullptr, false);
  return j.is_object() && j.contains("frame") ? j : nlohmann::json();
}

Result<VerifyInput> readVerifyInput(const VerifyRequest& request, const Resources& resources) {
  auto plan = readPlan(request.plan);
  if (!plan) return tl::unexpected(plan.error());
  // An invalid limits file is reported before anything is computed.
  if (const auto limits = verdictLimits(resources.limits); !limits) return tl::unexpected(limits.error());
  if (request.films.empty() == request.ct.empty())
    return fail(Fault::kRequest, "runs.give_either_films_ct", "--films, --ct",
                Message("runs.films_after_films_two_more_clearly"));
  if (!request.views.empty() && request.views.size() != request.films.size())
    return fail(Fault::kRequest,
                Message("runs.views_given_films", {{"views", request.views.size()}, {"films", request.films.size()}}),
                "--views", Message("runs.give_one_view_film_order_films"));
  VerifyInput input{
      request, resources.words, std::move(*plan), resources.catalogue, resources.limits, resources.segmenter, {}, {},
      {}};
  if (!request.earlier.empty()) {
    input.earlier = earlierCheck(request.earlier);
    if (input.earlier.is_null())
      return fail(Fault::kRequest, "runs.no_earlier_check_compare", request.earlier.string(),
                  Message("runs.give_folder_rayset_verify_wrote_checks"));
    // Mismatched inputs are reported before anything is computed.
    if (const Status can =
            canBeCompared(input.earlier, input.plan.patient_id, sideWord(input.plan.side), request.earlier.string());
        !can)
      return tl::unexpected(can.error());
  }
  if (!request.ct.empty()) return input;
  auto bodies = readPlanBodies(request.plan);
  if (!bodies) return tl::unexpected(bodies.error());
  input.bodies = std::move(*bodies);
  for (std::size_t n = 0; n < request.films.size(); ++n) {
    auto scan = readFilm(request.films[n]);
    if (!scan) return tl::unexpected(scan.error());
    auto film = checkedFilm(std::move(*scan), request.views.empty() ? std::string() : request.views[n]);
    if (!film) return tl::unexpected(film.error());
    input.films.push_back(std::move(*film));
  }
  return input;
}

namespace {

Result<Verification> check(const VerifyInput& input, const Progress& progress) {
  const VerifyRequest& request = input.request;
  if (request.ct.empty())
    return checkFilms({&input.plan, &input.bodies, &input.catalogue, &input.limits, input.films, request.temporary},
                      progress);
  const auto scan = readCt(request.ct, {request.series}, progress);
  if (!scan) return tl::unexpected(scan.error());
  return checkCt({&input.plan, &input.catalogue, &input.limits, input.segmenter.get(), &*scan, request.temporary},
                 progress);
}

}  // namespace

Result<Verification> verify(const VerifyInput& input, const Progress& progress) {
  auto checked = check(input, progress);
  if (!checked) return checked;
  if (!input.earlier.is_null()) {
    auto since =
        changeSince(input.earlier, verificationJson(input.plan, *checked, input.words), input.request.earlier.string());
    if (!since) return tl::unexpected(since.error());
    checked->since = std::move(*since);
  }
  return checked;
}

Result<Verification> verifyInto(const VerifyInput& input, const std::filesystem::path& folder,
                                const Progress& progress) {
  auto checked = verify(input, progress);
  if (!checked) return checked;
  VerificationReport report{&input.plan, &*checked, &input.catalogue, nullptr, nullptr};
  if (input.request.ct.empty()) {
    report.films = &input.films;
    report.bodies = &input.bodies;
  }
  if (const Status s = writeVerificationReport(input.words, report, folder); !s) return tl::unexpected(s.error());
  if (progress.cancelled()) return cancelledError();
  if (const Status s = writeJson(folder / "verification.json", verificationJson(input.plan, *checked, input.words)); !s)
    return tl::unexpected(s.error());
  return checked;
}

namespace {

FilmView filmViewOf(const TubePose& tube) {
  if (std::abs(tube.orbital_rad) > toRadians(60)) return FilmView::kLateral;
  return std::abs(tube.orbital_rad) > toRadians(15) ? FilmView::kOblique : FilmView::kDorsoplantar;
}

FilmWriteInfo infoOf(const PlanRecord& plan, const TubePose& tube, const SimulatedFilm& film,
                     const std::string& caption, const std::string& description, int number) {
  FilmWriteInfo info;
  info.patient_name = plan.patient_name;
  info.patient_id = plan.patient_id;
  info.study_uid = plan.study_uid;
  info.study_date = plan.study_date;
  info.series_description = caption;
  info.instance_number = number;
  info.model = "simulated film";
  info.side = plan.side;
  info.view = filmViewOf(tube);
  info.lateromedial = std::sin(tube.orbital_rad) > 0;
  info.simulated = true;
  // verbatim: DICOM
  info.derivation = fmt::format("line integrals through CT, 60 keV; {}; {}", description, wordOf(film.state));
  info.column_mm = info.row_mm = film.view.pixel_mm;
  info.source_detector_mm = tube.sid_mm;
  info.source_patient_mm = tube.sid_mm - tube.oid_mm;
  info.bits_stored = 12;
  // Room beyond black and white, so that nothing is clipped that a reader could still window.
  info.value_low = -0.1;
  info.value_high = 1.2;
  info.window_low = 0;
  info.window_high = 1;
  info.uid_seed = static_cast<std::uint64_t>(number);
  return info;
}

}  // namespace

Result<ViewsWritten> viewsInto(const ViewsRequest& request, const Resources& resources,
                               const std::filesystem::path& folder, const Progress& progress) {
  const auto plan = readPlan(request.plan);
  if (!plan) return tl::unexpected(plan.error());
  const auto bodies = readPlanBodies(request.plan);
  if (!bodies) return tl::unexpected(bodies.error());
  std::vector<std::pair<TubePose, Message>> tubes;
  for (const std::string& word : request.views) {
    const auto tube = tubeFromWord(word);
    if (!tube) return tl::unexpected(tube.error());
    tubes.push_back(*tube);
  }
  std::vector<FilmedState> states;
  for (const std::string& word : request.states)
    for (const FilmedState s : kFilmedStates)
      if (wordOf(s) == word) states.push_back(s);

  const FilmedFoot foot =
      filmedFoot(plan->side, plan->frame, plan->reduced, plan->injured_to_reduced, plan->devices, resources.catalogue);
  const FootProjector projector(*bodies);
  ToneSettings tone;
  tone.scatter_fraction = request.scatter;
  tone.photons = request.photons;
  ViewsRecord record;
  ViewsWritten written;
  written.sole_assumed = foot.plate.assumed;
  for (std::size_t n = 0; n < tubes.size(); ++n) {
    progress("films", static_cast<double>(n) / static_cast<double>(tubes.size()));
    if (progress.cancelled()) return cancelledError();
    auto [tube, view] = tubes[n];
    const std::string description = resources.words(view);
    tube.pixel_mm = request.pixel_mm;
    const auto films = simulate(projector, foot, tube, description, states, tone);
    if (!films) return tl::unexpected(films.error());
    for (const SimulatedFilm& film : *films) {
      ++written.films;
      std::string name = fmt::format("{}_{}", request.views[n], wordOf(film.state));
      std::replace_if(
          name.begin(), name.end(), [](char c) { return c == '=' || c == ','; }, '_');
      const Shot shot = shotOf(foot, film, view, name, film.view.columns / 2.3);
      if (const Status s = writeShot(resources.words, folder / (name + ".png"), foot.side, shot); !s)
        return tl::unexpected(s.error());
      const FilmWriteInfo info = infoOf(*plan, tube, film, resources.words(shot.caption), description, written.films);
      if (const Status s = writeFilm(folder / (name + ".dcm"), film.film, info); !s) return tl::unexpected(s.error());
      record.films.push_back({name, description, film.state, tube, film.view});
    }
  }
  if (const Status s = writeJson(folder / "views.json", viewsCodec().write(record)); !s)
    return tl::unexpected(s.error());
  progress("films", 1);
  return written;
}

}  // namespace rayset
