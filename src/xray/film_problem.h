// The foot of a plan as what is registered to films: its bodies in groups, before any film is looked at.
#pragma once

#include "base/result.h"
#include "xray/film_model.h"

namespace rayset::film_fit {

/// Without films. kRequest where the tarsus is missing.
Result<Problem> problemOf(const FilmRegistrationInput& input, const FilmRegistrationSettings& settings);

}  // namespace rayset::film_fit
