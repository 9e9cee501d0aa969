// A plan's foot prepared for registration to films: its bodies in groups, before any film is involved.
#pragma once

#include "base/result.h"
#include "xray/film_model.h"

namespace rayset::film_fit {

/// Without films. kRequest if the tarsus is missing.
Result<Problem> problemOf(const FilmRegistrationInput& input, const FilmRegistrationSettings& settings);

}  // namespace rayset::film_fit
