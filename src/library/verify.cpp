#include "rayset/verify.h"

#include "base/units.h"
#include "library/convert.h"
#include "runs/runs.h"
#include "runs/staging.h"

namespace rayset::api {

using library::guarded;
using library::shown;
using library::taken;

namespace {

Outcome verdictOf(rayset::Outcome outcome) {
  switch (outcome) {
    case rayset::Outcome::kAnatomical:
      return Outcome::kAnatomical;
    case rayset::Outcome::kAcceptable:
      return Outcome::kAcceptable;
    case rayset::Outcome::kNotReduced:
      return Outcome::kNotReduced;
    case rayset::Outcome::kUnknown:
      break;
  }
  return Outcome::kUnknown;
}

RayOutcome rayOf(const rayset::RayOutcome& r, bool one_film, const Words& words) {
  RayOutcome out{.ray = r.ray.number(),
                 .verdict = verdictOf(r.verdict),
                 .sure = r.sure,
                 .doubt = words(r.doubt),
                 .planned_to_found = shown(r.planned_to_found),
                 .off = shown(r.off),
                 .shift_mm = r.shift_mm,
                 .turn_deg = toDegrees(r.turn_rad),
                 .shift_95_mm = r.shift_95_mm,
                 .turn_95_deg = toDegrees(r.turn_95_rad),
                 .weakest = shown(r.weakest),
                 .weakest_words = words(r.weakest_words),
                 .in_plane_mm = {},
                 .in_plane_95_mm = {}};
  if (one_film) {
    out.in_plane_mm = r.in_plane_mm;
    out.in_plane_95_mm = r.in_plane_95_mm;
  }
  return out;
}

DeviceOutcome deviceOf(const rayset::DeviceOutcome& d, const Words& words) {
  if (!d.seen) return {.id = d.id, .seen = false, .checks = {}, .warnings = words.texts(d.warnings)};
  return {.id = d.id,
          .seen = true,
          .entry = shown(d.entry),
          .tip = shown(d.tip),
          .entry_off_mm = d.entry_off_mm,
          .tip_off_mm = d.tip_off_mm,
          .axis_off_deg = toDegrees(d.axis_off_rad),
          .entry_95_mm = d.entry_95_mm,
          .tip_95_mm = d.tip_95_mm,
          .axis_95_deg = toDegrees(d.axis_95_rad),
          .longer_mm = d.longer_mm,
          .gap_mm = d.gap_mm,
          .checks = shown(d.checks, words),
          .warnings = words.texts(d.warnings)};
}

Change changeOf(const rayset::Change& change, const Words& words) {
  Change out{change.since, {}, {}};
  for (const rayset::RayChange& r : change.rays)
    out.rays.push_back({.ray = r.ray.number(),
                        .shift_mm = r.shift_mm,
                        .turn_deg = toDegrees(r.turn_rad),
                        .shift_95_mm = r.shift_95_mm,
                        .turn_95_deg = toDegrees(r.turn_95_rad),
                        .moved = r.moved,
                        .words = words(r.words)});
  for (const rayset::DeviceChange& d : change.devices)
    out.devices.push_back({.id = d.id,
                           .seen = d.seen,
                           .backed_out_mm = d.backed_out_mm,
                           .broke = d.broke,
                           .moved = d.moved,
                           .words = words(d.words)});
  return out;
}

Verification verificationOf(const rayset::Verification& v, const Words& words) {
  Verification out{.verdict = verdictOf(v.verdict),
                   .sure = v.sure,
                   .date = v.date,
                   .rays = {},
                   .devices = {},
                   .measures = shown(v.measures, words),
                   .cautions = words.texts(v.cautions),
                   .since = {},
                   .partial = v.partial};
  for (const auto& [ray, r] : v.rays) out.rays.push_back(rayOf(r, v.oneFilm(), words));
  for (const rayset::DeviceOutcome& d : v.devices) out.devices.push_back(deviceOf(d, words));
  if (v.since) out.since = changeOf(*v.since, words);
  return out;
}

}  // namespace

std::string_view wordOf(Outcome outcome) {
  switch (outcome) {
    case Outcome::kAnatomical:
      return rayset::wordOf(rayset::Outcome::kAnatomical);
    case Outcome::kAcceptable:
      return rayset::wordOf(rayset::Outcome::kAcceptable);
    case Outcome::kNotReduced:
      return rayset::wordOf(rayset::Outcome::kNotReduced);
    case Outcome::kUnknown:
      break;
  }
  return rayset::wordOf(rayset::Outcome::kUnknown);
}

Result<Verification> verify(const VerifyRequest& request, const Resources& resources, const Progress& progress) {
  return guarded(resources.data().resources.words, [&]() -> Result<Verification> {
    rayset::VerifyRequest inner;
    inner.plan = request.plan;
    inner.films = request.films;
    inner.ct = request.ct;
    inner.views = request.views;
    inner.series = request.series;
    inner.temporary = request.temporary;
    inner.earlier = request.earlier;
    const auto input = readVerifyInput(inner, resources.data().resources);
    if (!input) return shown(input.error(), resources.data().resources.words);
    if (request.out.empty()) {
      const auto found = rayset::verify(*input, taken(progress));
      if (!found) return shown(found.error(), resources.data().resources.words);
      return verificationOf(*found, resources.data().resources.words);
    }
    auto staging = Staging::open(request.out, "verification.json", request.replace);
    if (!staging) return shown(staging.error(), resources.data().resources.words);
    const auto found = verifyInto(*input, staging->folder(), taken(progress));
    if (!found) return shown(found.error(), resources.data().resources.words);
    if (const auto done = staging->commit(); !done) return shown(done.error(), resources.data().resources.words);
    return verificationOf(*found, resources.data().resources.words);
  });
}

}  // namespace rayset::api
