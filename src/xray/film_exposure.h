// How a film was exposed: everything but the poses that decides what it looks like (film_model.h).
#pragma once

#include "xray/film_model.h"

namespace rayset::film_fit {

/// Each whole film's rise, gain of bone and scatter, as it is met best with everything where it is; and, once
/// everything is `in_place`, its blur: before, bones off their shadows pass for blurred ones.
void fitExposure(Problem& p, int level, const Mode& mode, bool in_place = false);

/// How much blurring (mm at the detector, one sigma, `most` at most) makes the film as blurred as the prediction: what
/// they share of fine detail is then as strong as what they share of coarse. Noise, which they do not share, is not
/// blurred away by it. 0 where the film is the more blurred one.
double blurBetween(const FilmState& f, int level, const Prediction& prediction, double most);
/// Blurs the film on one level by so much at the detector (one sigma), in what the beam goes through: the grey scale of
/// a prediction says how grey that looks.
void smooth(FilmState& f, int level, double sigma_mm, const GreyScale& scale);

}  // namespace rayset::film_fit
