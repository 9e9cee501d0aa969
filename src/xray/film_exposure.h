// How a film was exposed: everything apart from the poses that determines what it looks like (film_model.h).
#pragma once

#include "xray/film_model.h"

namespace rayset::film_fit {

/// Fits each film's rise, bone gain and scatter to match best with everything at its current pose and, once everything
/// is `in_place`, its blur; until then bones off their shadows would pass for blurred ones.
void fitExposure(Problem& p, int level, const Mode& mode, bool in_place = false);

/// The blur (mm at the detector, one sigma, at most `most`) that makes the film as blurred as the prediction: the fine
/// detail they share is then as strong as the coarse detail they share. Noise, which they do not share, has no effect
/// on it. 0 if the film is the more blurred one.
double blurBetween(const FilmState& f, int level, const Prediction& prediction, double most);
/// Blurs the film on one level by `sigma_mm` at the detector (one sigma), in terms of line integrals; a prediction's
/// grey scale converts them to greys.
void smooth(FilmState& f, int level, double sigma_mm, const GreyScale& scale);

}  // namespace rayset::film_fit
