// Where one film was taken from: sought over turns and shifts, then followed down.
#pragma once

#include <string>

#include "base/progress.h"
#include "base/result.h"
#include "xray/film_model.h"

namespace rayset::film_fit {

/// Where one film was taken from, as far as it tells by itself.
struct PlacedFilm {
  FilmState state;         // of the film turned upright
  ProjectionView nominal;  // the same
  int quarters = 0;        // it was turned by, clockwise
  double margin = 0;       // by how much it is met better here than elsewhere
};
/// kImages naming the film where it does not match, is the mirror image or lies beyond what is looked through.
Result<PlacedFilm> placeFilm(const Problem& p, const FilmExposure& e, const FilmRegistrationSettings& settings,
                             const Progress& progress);
/// The view of a film, from that of the film turned by quarters.
ProjectionView turnedBack(int quarters, const ProjectionView& turned);
/// A place beyond what was looked through is none: the search has run away.
Status withinReach(const FilmState& f, const Vec3& centre, const FilmRegistrationSettings& s, const std::string& name);

}  // namespace rayset::film_fit
