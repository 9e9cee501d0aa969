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
Message metalNotUnderstood(const FoundBody& body, const std::vector<FoundDevice>& devices, const PlanRecord& plan,
                           bool depth_told) {
  constexpr double kFarMm = 5;
  for (const FoundDevice& d : devices) {
    const Device* planned = plan.device(d.id);
    if (planned == nullptr || std::ranges::find(planned->through, body.id) == planned->through.end()) continue;
    const auto off = [&](const Rigid& gone) {
      return std::max((d.entry - gone * planned->entry).norm(), (d.tip - gone * planned->tip).norm());
    };
    if (d.longer_mm != 0 || d.gap_mm != 0)
      return Message("outcome.looks_broken_another_length_metal_not", {{"id", d.id}});
    if (!d.seen || (depth_told && std::min(off(Rigid::Identity()), off(body.planned_to_found)) > kFarMm))
      return Message("outcome.not_found_near_where_planned_metal", {{"id", d.id}});
  }
  return {};
}

/// `found` moved along its own ray to as far from the detector as it was planned: one film shows no other depth.
Vec3 atPlannedDepth(const Vec3& found, const Vec3& planned, const ProjectionView& view) {
  const Vec3 ray = found - view.source, beam = view.normal();
  return found + ray * ((planned - found).dot(beam) / ray.dot(beam));
}

}  // namespace

Result<Message> doubtOfFilms(const std::vector<FoundFilm>& films, const std::vector<std::string>& files) {
  const auto [worst, best] = std::ranges::minmax_element(films, {}, &FoundFilm::similarity);
  const auto fileOf = [&](auto film) { return files[static_cast<std::size_t>(film - films.begin())]; };
  const double share = worst->similarity / std::max(1e-6, best->similarity);
  const Message apart =
      Message("outcome.films_do_not_agree_where_bones", {{"file_of", fileOf(worst)},
                                                         {"similarity", number(worst->similarity, 2)},
                                                         {"file_of_2", fileOf(best)},
                                                         {"similarity_2", number(best->similarity, 2)}});
  if (share < kFilmsContradict)
    return fail(Fault::kImages, apart, fileOf(worst), Message("outcome.check_all_show_foot_after_same"));
  if (share < kFilmsAgree) return apart;
  for (auto film = films.begin(); film != films.end(); ++film)
    if (film->margin < kNoOtherPlace)
      return Message("outcome.met_nearly_well_tube_elsewhere", {{"file_of", fileOf(film)}});
  return Message();
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
    out.view = Message("outcome.taken", {{"describe", nameOf(view)}, {"view_from", info.view_from}});
  } else {
    return fail(Fault::kImages, "outcome.nothing_tells_view_film", info.file + ", View Position (0018,5101)",
                Message("outcome.say_views_one_word_film_order"));
  }
  if (info.source_detector_mm && word.find("sid=") == std::string::npos) out.tube.sid_mm = *info.source_detector_mm;
  if (info.source_detector_mm && info.source_patient_mm && *info.source_detector_mm > *info.source_patient_mm)
    out.tube.oid_mm = *info.source_detector_mm - *info.source_patient_mm;
  if (!info.spacing.known())
    return fail(Fault::kImages, "outcome.film_does_not_tell_size_pixels",
                info.file + ", Imager Pixel Spacing (0018,1164)",
                Message("outcome.export_spacing_check_millimetres_not_possible"));
  if (std::abs(info.spacing.column_mm / info.spacing.row_mm - 1) > 0.01)
    return fail(Fault::kImages, "outcome.films_pixels_not_square", info.file + ", Imager Pixel Spacing (0018,1164)",
                Message("outcome.export_square_pixels"));
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
  if (plate.assumed) v.cautions.push_back(Message("outcome.sole_not_ct_second_ray_taken"));
  for (const CheckedFilm& f : input.films) {
    const FilmInfo& info = f.scan.info;
    if (v.date.empty()) v.date = info.study_date;
    if (!info.patient_id.empty() && !plan.patient_id.empty() && info.patient_id != plan.patient_id)
      return fail(Fault::kRequest,
                  Message("outcome.film_belongs_another_patient_plan",
                          {{"patient_id", info.patient_id}, {"patient_id_2", plan.patient_id}}),
                  info.file + ", Patient ID (0010,0020)", Message("outcome.give_films_patient_plan"));
    if (info.side && *info.side != plan.side)
      return fail(
          Fault::kRequest,
          Message("outcome.film_shows_foot_plan_foot", {{"side", nameOf(*info.side)}, {"side_2", nameOf(plan.side)}}),
          info.file + ", Image Laterality (0020,0062)", Message("outcome.give_films_foot_plan"));
    for (const Message& text : f.scan.cautions)
      v.cautions.push_back({"outcome.of_film", {{"file", info.file}, {"caution", text}}});
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
    v.cautions.emplace_back(Message("outcome.one_film_tells_nothing_along_beam"));
  else if (apart < toRadians(20))
    return fail(Fault::kRequest,
                Message("outcome.films_views_only_degrees_apart", {{"apart", number(toDegrees(apart), 0)}}), "--films",
                Message("outcome.give_two_films_taken_clearly_different"));
  if (!one_film && apart < toRadians(50))
    v.cautions.push_back(
        Message("outcome.films_views_only_degrees_apart_positions", {{"apart", number(toDegrees(apart), 0)}}));
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
      v.cautions.push_back(Message("outcome.film_lies_turned_degrees", {{"file", input.films[n].scan.info.file},
                                                                        {"quarters", f.quarters == 2 ? 180 : 90}}));
    v.films.push_back(
        {input.films[n].scan.info.file, input.films[n].view, f.similarity, f.shift_mm, f.turn_rad, f.view});
  }
  std::vector<std::string> files;
  for (const FilmOutcome& f : v.films) files.push_back(f.file);
  const auto doubt_of_films = doubtOfFilms(found->films, files);
  if (!doubt_of_films) return tl::unexpected(doubt_of_films.error());
  if (!doubt_of_films->empty())
    v.cautions.push_back(Message("outcome.not_sure_any_ray", {{"doubt_of_films", *doubt_of_films}}));
  for (const Ray ray : kRays) {
    const std::string id(boneId(metatarsal(ray)));
    const auto body =
        std::find_if(found->bodies.begin(), found->bodies.end(), [&](const FoundBody& b) { return b.id == id; });
    if (body == found->bodies.end() || !plan.reduced.contains(metatarsal(ray))) continue;
    if (body->similarity < kMatchedSimilarity) {
      v.cautions.push_back(Message("outcome.metatarsal_not_found_films_similarity",
                                   {{"ray", nameOf(ray)}, {"similarity", number(body->similarity, 2)}}));
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
      r.doubt = Message("outcome.would_share_bone_one_two_taken", {{"inside", body->inside}});
    else if (body->rival_mm > by_spread)
      r.doubt = Message("outcome.would_fit_about_well_away", {{"rival", mm(body->rival_mm)}});
    else if (const Message metal = metalNotUnderstood(*body, found->devices, plan, !one_film); !metal.empty())
      r.doubt = metal;
    else if (body->similarity < kRayMet)
      r.doubt = Message("outcome.met_poorly_usually_more", {{"file", v.films[body->worst_film].file},
                                                            {"similarity", number(body->similarity, 2)},
                                                            {"ray_met", number(kRayMet, 2)}});
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
  v.cautions.emplace_back(Message("outcome.ray_left_several_millimetres_off_can"));
  if (progress.cancelled()) return cancelledError();
  if (const Status s = drawConclusions(plan, *input.catalogue, *input.limits, v); !s) return tl::unexpected(s.error());
  return v;
}

}  // namespace rayset
