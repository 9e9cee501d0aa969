#include "outcome/film_check.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <tuple>

#include "anatomy/frames.h"
#include "base/units.h"
#include "geometry/side.h"

namespace rayset {
namespace {

NamedView nominalView(FilmView view, bool lateromedial) {
  switch (view) {
    case FilmView::kDorsoplantar:
      return NamedView::kDorsoplantar15;
    case FilmView::kOblique:
      return NamedView::kOblique30;
    case FilmView::kLateral:
      break;
  }
  return lateromedial ? NamedView::kLateromedial : NamedView::kLateral;
}

/// Why the metal in the bone `body` is not understood: a device through it appears to have another length than planned,
/// is not seen, or lies far both from its plan and from where it would have moved with the bone (`depth_told`: one film
/// does not show how far). Empty if it is understood.
std::string metalNotUnderstood(const FoundBody& body, const std::vector<FoundDevice>& devices, const PlanRecord& plan,
                               bool depth_told) {
  constexpr double kFarMm = 5;
  for (const FoundDevice& d : devices) {
    const Device* planned = plan.device(d.id);
    if (planned == nullptr || std::ranges::find(planned->through, body.id) == planned->through.end()) continue;
    const auto off = [&](const Rigid& gone) {
      return std::max((d.entry - gone * planned->entry).norm(), (d.tip - gone * planned->tip).norm());
    };
    if (d.longer_mm != 0 || d.gap_mm != 0)
      return fmt::format("{} in it looks broken or of another length: metal that is not as planned lies over it", d.id);
    if (!d.seen || (depth_told && std::min(off(Rigid::Identity()), off(body.planned_to_found)) > kFarMm))
      return fmt::format(
          "{} in it is not found near where it was planned: metal that is not as planned may lie over it", d.id);
  }
  return {};
}

/// `found` moved along its own ray to as far from the detector as it was planned: one film shows no other depth.
Vec3 atPlannedDepth(const Vec3& found, const Vec3& planned, const ProjectionView& view) {
  const Vec3 ray = found - view.source, beam = view.normal();
  return found + ray * ((planned - found).dot(beam) / ray.dot(beam));
}

}  // namespace

Result<std::string> doubtOfFilms(const std::vector<FoundFilm>& films, const std::vector<std::string>& files) {
  const auto [worst, best] = std::ranges::minmax_element(films, {}, &FoundFilm::similarity);
  const auto fileOf = [&](auto film) { return files[static_cast<std::size_t>(film - films.begin())]; };
  const double share = worst->similarity / std::max(1e-6, best->similarity);
  const std::string apart =
      fmt::format("the films do not agree on where the bones are ({} is met with {:.2f}, {} with {:.2f})",
                  fileOf(worst), worst->similarity, fileOf(best), best->similarity);
  if (share < kFilmsContradict)
    return fail(Fault::kImages, apart, fileOf(worst),
                "Check that all show this foot after the same operation, and say with --views how the tube stood.");
  if (share < kFilmsAgree) return apart;
  for (auto film = films.begin(); film != films.end(); ++film)
    if (film->margin < kNoOtherPlace)
      return fmt::format("{} is met nearly as well with the tube elsewhere", fileOf(film));
  return std::string();
}

Result<CheckedFilm> checkedFilm(FilmScan scan, const std::string& word) {
  CheckedFilm out;
  const FilmInfo& info = scan.info;
  if (!word.empty()) {
    auto tube = tubeFromWord(word);
    if (!tube) return tl::unexpected(tube.error());
    std::tie(out.tube, out.view) = *tube;
  } else if (info.view) {
    const NamedView view = nominalView(*info.view, info.lateromedial);
    out.tube = tubePose(view);
    out.view = describe(view) + " (taken from " + info.view_from + ")";
  } else {
    return fail(Fault::kImages, "nothing tells which view the film is", info.file + ", View Position (0018,5101)",
                "Say it with --views, one word a film in the order of the films.");
  }
  if (info.source_detector_mm && word.find("sid=") == std::string::npos) out.tube.sid_mm = *info.source_detector_mm;
  if (info.source_detector_mm && info.source_patient_mm && *info.source_detector_mm > *info.source_patient_mm)
    out.tube.oid_mm = *info.source_detector_mm - *info.source_patient_mm;
  if (!info.spacing.known())
    return fail(Fault::kImages, "the film does not tell the size of its pixels",
                info.file + ", Imager Pixel Spacing (0018,1164)",
                "Export it with its spacing: a check in millimetres is not possible without.");
  if (std::abs(info.spacing.column_mm / info.spacing.row_mm - 1) > 0.01)
    return fail(Fault::kImages, "the film's pixels are not square", info.file + ", Imager Pixel Spacing (0018,1164)",
                "Export it with square pixels.");
  out.pixel_mm = info.spacing.column_mm;
  using Origin = FilmSpacing::Origin;
  const Origin o = info.spacing.origin;
  if (o != Origin::kDetector && o != Origin::kScanned &&
      o != Origin::kUnstated)  // measured at the foot, not at the detector
    out.pixel_mm *= out.tube.sid_mm / (out.tube.sid_mm - out.tube.oid_mm);
  out.tube.pixel_mm = out.pixel_mm;
  out.tube.width_mm = out.pixel_mm * scan.film.columns;
  out.tube.height_mm = out.pixel_mm * scan.film.rows;
  out.scan = std::move(scan);
  return out;
}

Result<Verification> checkFilms(const FilmCheckInput& input, const Progress& progress) {
  const PlanRecord& plan = *input.plan;
  const bool one_film = input.films.size() == 1;
  Verification v;
  FilmRegistrationInput registration;
  registration.bodies = input.bodies;
  registration.injured_to_planned = plan.injured_to_reduced;
  const PlantarFrame plate = plantarFrame(plan.reduced, plan.frame, plan.side);
  if (plate.assumed)
    v.cautions.push_back(
        "The sole was not in the CT; the second ray is taken to slope by 20 degrees in the films' views.");
  for (const CheckedFilm& f : input.films) {
    const FilmInfo& info = f.scan.info;
    if (v.date.empty()) v.date = info.study_date;
    if (!info.patient_id.empty() && !plan.patient_id.empty() && info.patient_id != plan.patient_id)
      return fail(
          Fault::kRequest,
          fmt::format("the film belongs to another patient ({}, the plan is for {})", info.patient_id, plan.patient_id),
          info.file + ", Patient ID (0010,0020)", "Give the films of the patient of the plan.");
    if (info.side && *info.side != plan.side)
      return fail(Fault::kRequest,
                  fmt::format("the film shows the {} foot, the plan is for the {} foot", sideWord(*info.side),
                              sideWord(plan.side)),
                  info.file + ", Image Laterality (0020,0062)", "Give the films of the foot of the plan.");
    for (const std::string& text : f.scan.cautions) v.cautions.push_back(info.file + ": " + text);
    auto view = projectionView(plate, f.tube);
    if (!view) return tl::unexpected(view.error());
    FilmExposure e;
    e.name = info.file;
    e.film = f.scan.film;
    e.view = *view;
    e.view.columns = e.film.columns;
    e.view.rows = e.film.rows;
    if (info.field.origin != FilmField::Origin::kWhole) {
      e.column = info.field.left;
      e.row = info.field.top;
      e.columns = info.field.right - info.field.left;
      e.rows = info.field.bottom - info.field.top;
    }
    registration.films.push_back(std::move(e));
  }
  double apart = 0;
  for (std::size_t a = 0; a < registration.films.size(); ++a)
    for (std::size_t b = 0; b < a; ++b)
      apart = std::max(
          apart,
          std::acos(std::clamp(std::abs(registration.films[a].view.normal().dot(registration.films[b].view.normal())),
                               0.0, 1.0)));
  if (one_film)
    v.cautions.emplace_back(
        "One film tells nothing along its beam: a ray can be found off, not in place, and metal is told in the plane "
        "of "
        "the film only. Give a second film from a clearly different side.");
  else if (apart < toRadians(20))
    return fail(Fault::kRequest, fmt::format("the films' views are only {:.0f} degrees apart", toDegrees(apart)),
                "--films", "Give two films taken from clearly different sides (dorsoplantar and lateral).");
  if (!one_film && apart < toRadians(50))
    v.cautions.push_back(fmt::format(
        "The films' views are only {:.0f} degrees apart: positions along the beams are uncertain.", toDegrees(apart)));
  for (const Device& d : plan.devices)
    if (input.temporary || d.stage == DeviceStage::kDefinitive)
      registration.metal.push_back({d.id, d.entry, d.tip, metalSolid(d, *input.catalogue),
                                    !otherLengths(d, *input.catalogue).empty(),
                                    std::string(boneId(metatarsal(d.ray)))});

  auto found = registerFilms(registration, {}, progress);
  if (!found) return tl::unexpected(found.error());
  for (std::size_t n = 0; n < input.films.size(); ++n) {
    const FoundFilm& f = found->films[n];
    if (f.quarters != 0)
      v.cautions.push_back(fmt::format("{}: the film lies turned by {} degrees.", input.films[n].scan.info.file,
                                       f.quarters == 2 ? 180 : 90));
    v.films.push_back(
        {input.films[n].scan.info.file, input.films[n].view, f.similarity, f.shift_mm, f.turn_rad, f.view});
  }
  std::vector<std::string> files;
  for (const FilmOutcome& f : v.films) files.push_back(f.file);
  const auto doubt_of_films = doubtOfFilms(found->films, files);
  if (!doubt_of_films) return tl::unexpected(doubt_of_films.error());
  if (!doubt_of_films->empty()) v.cautions.push_back("Not sure of any ray: " + *doubt_of_films + ".");
  for (const Ray ray : kRays) {
    const std::string id(boneId(metatarsal(ray)));
    const auto body =
        std::find_if(found->bodies.begin(), found->bodies.end(), [&](const FoundBody& b) { return b.id == id; });
    if (body == found->bodies.end() || !plan.reduced.contains(metatarsal(ray))) continue;
    if (body->similarity < kMatchedSimilarity) {
      v.cautions.push_back(fmt::format("The {} metatarsal was not found on the films (similarity {:.2f}).",
                                       ordinal(ray), body->similarity));
      continue;
    }
    RayOutcome& r = v.rays[ray];
    r.ray = ray;
    r.planned_to_found = body->planned_to_found;
    r.similarity = body->similarity;
    const Vec3 planned_base = basePoint(plan.reduced.at(metatarsal(ray)), plan.frame.distal);
    const Vec3 base = body->planned_to_found * planned_base;
    const LeastCertain shift =
        leastCertain(pointCovariance(body->covariance, body->planned_to_found * body->centre, base));
    const double by_spread = kTwoSided95 * shift.sd;
    r.shift_95_mm = std::max(by_spread, body->rival_mm);
    // A body in an impossible place may as well be where it was planned. (One film does not show which bone is in
    // front.)
    const bool impossible = !one_film && !body->inside.empty();
    if (impossible) r.shift_95_mm = std::max(r.shift_95_mm, (base - planned_base).norm());
    if (!doubt_of_films->empty())
      r.doubt = *doubt_of_films;
    else if (impossible)
      r.doubt = fmt::format("it would share bone with {}: one of the two is taken for something else", body->inside);
    else if (body->rival_mm > by_spread)
      r.doubt = fmt::format("it would fit about as well {:.1f} mm away", body->rival_mm);
    else if (const std::string metal = metalNotUnderstood(*body, found->devices, plan, !one_film); !metal.empty())
      r.doubt = metal;
    else if (body->similarity < kRayMet)
      r.doubt = fmt::format("it is met poorly on {} ({:.2f}, usually {:.2f} and more)", v.films[body->worst_film].file,
                            body->similarity, kRayMet);
    if (one_film) {
      const Vec3 beam = v.films.front().exposed.normal();
      const Mat3 plane = Mat3::Identity() - beam * beam.transpose();
      const Mat3 spread =
          plane * pointCovariance(body->covariance, body->planned_to_found * body->centre, base) * plane;
      const Vec3 shown = atPlannedDepth(base, planned_base, v.films.front().exposed);
      r.planned_to_found.pretranslate(shown - base);
      r.in_plane_mm = (shown - planned_base).norm();
      r.in_plane_95_mm = std::max(kTwoSided95 * leastCertain(spread).sd, body->rival_mm);
    }
    r.weakest = shift.direction;
    r.turn_95_rad = kTwoSided95 * body->turn_sd_rad;
    r.weakest_words = directionWords(r.weakest, plan.frame);
  }
  for (const FoundDevice& d : found->devices) {
    DeviceOutcome out;
    out.id = d.id;
    out.seen = d.seen;
    out.longer_mm = d.longer_mm;
    out.gap_mm = d.gap_mm;
    out.gap_at_mm = d.gap_at_mm;
    out.similarity = d.similarity;
    out.entry = d.entry;
    out.tip = d.tip;
    if (const Device* planned = plan.device(d.id); one_film && planned != nullptr) {
      out.entry = atPlannedDepth(d.entry, planned->entry, v.films.front().exposed);
      out.tip = atPlannedDepth(d.tip, planned->tip + d.longer_mm * planned->direction, v.films.front().exposed);
    }
    out.entry_95_mm = std::max(kTwoSided95 * d.entry_sd_mm, d.rival_mm);
    out.tip_95_mm = std::max(kTwoSided95 * d.tip_sd_mm, d.rival_mm);
    out.axis_95_rad = kTwoSided95 * d.axis_sd_rad;
    v.devices.push_back(std::move(out));
  }
  v.cautions.emplace_back(
      "A ray left several millimetres off can be taken for its neighbour where their shafts lie over each other on a "
      "film: look at the films themselves, and add an oblique one where the second to fourth rays overlap.");
  if (progress.cancelled()) return cancelledError();
  if (const Status s = drawConclusions(plan, *input.catalogue, *input.limits, v); !s) return tl::unexpected(s.error());
  return v;
}

}  // namespace rayset
