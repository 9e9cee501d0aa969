// How much of a device films show along its axis: whether its length differs from the plan, or it is broken.
#pragma once

#include "base/progress.h"
#include "xray/film_refine.h"

namespace rayset::film_fit {

/// From this difference on a device counts as longer or shorter than planned: one size (2 mm) cannot be seen from how
/// well a tip matches.
constexpr double kOtherLengthMm = 2.5;

/// A device as seen on films.
struct MetalAlong {
  double longer_mm = 0;  ///< than planned, end to end (negative: shorter)
  double gap_mm = 0;     ///< length without metal between its ends; 0: none
  double gap_at_mm = 0;  ///< where the gap begins, from the device's entry
  bool there = true;     ///< most of it is seen; else the rest means nothing
};
/// Looks along the device of group `g`, from 9 mm before it to 9 mm beyond. If films show another length or a gap, and
/// match better with it, its pose becomes that of the device as seen; else it is as planned. `mode`: of the whole
/// registration.
MetalAlong metalAlong(Problem& p, std::size_t g, const RefineSettings& base, const Mode& mode,
                      const Progress& progress);

}  // namespace rayset::film_fit
