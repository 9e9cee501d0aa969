// All films together: views, bones and metal moved to where every film matches best.
#pragma once

#include <vector>

#include "base/progress.h"
#include "xray/film_beside.h"
#include "xray/film_refine.h"
#include "xray/metal_along.h"

namespace rayset::film_fit {

/// What was done apart from moving things.
struct TogetherFit {
  RefineSettings settings;        ///< of the last step
  bool with_metal = false;        ///< metal was fitted
  std::vector<MetalAlong> along;  ///< by group
  [[nodiscard]] Mode bonesKnown() const { return {.metal_known = with_metal}; }
  [[nodiscard]] static Mode metalKnown() { return {.metal_compared = true, .metal_known = true}; }
};
/// `p`: on entry, films placed individually and everything where it is believed to be; on return, where it was found.
/// kCancelled.
Result<TogetherFit> fitTogether(Problem& p, const FilmRegistrationSettings& settings, const Progress& progress);

}  // namespace rayset::film_fit
