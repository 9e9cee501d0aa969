// Where one film was taken from: searched over turns and shifts, then refined.
#pragma once

#include <string>

#include "base/progress.h"
#include "base/result.h"
#include "xray/film_model.h"

namespace rayset::film_fit {

/// Where one film was taken from, judging by that film alone.
struct PlacedFilm {
  FilmState state;         // of the film turned upright
  ProjectionView nominal;  // the same
  int quarters = 0;        // it was turned by, clockwise
  double margin = 0;       // by how much it matches better here than elsewhere
};
/// kImages naming the film if it does not match, is the mirror image or lies beyond the range searched.
Result<PlacedFilm> placeFilm(const Problem& p, const FilmExposure& e, const FilmRegistrationSettings& settings,
                             const Progress& progress);
/// The view of a film from that of the film after quarter turns.
ProjectionView turnedBack(int quarters, const ProjectionView& turned);
/// An error if the place is beyond the range searched: the search has run away.
Status withinReach(const FilmState& f, const Vec3& centre, const FilmRegistrationSettings& s, const std::string& name);

}  // namespace rayset::film_fit
