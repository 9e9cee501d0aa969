// How much of a device films show along its axis: whether it is of another length than planned, or in pieces.
#pragma once

#include "base/progress.h"
#include "xray/film_refine.h"

namespace rayset::film_fit {

/// From how much more or less on a device is of another length than planned: one size (2 mm) is not told from how a tip
/// is met.
constexpr double kOtherLengthMm = 2.5;

/// A device as films show it.
struct MetalAlong {
  double longer_mm = 0;  ///< from end to end, than planned (negative: shorter)
  double gap_mm = 0;     ///< without metal between its ends; 0: none
  double gap_at_mm = 0;  ///< where the gap begins, from the device's entry
  bool there = true;     ///< most of it; else the rest means nothing
};
/// Looks along the device of group `g`, from 9 mm before it to 9 mm beyond. Where films show another length or a gap,
/// and are met better with it, its pose becomes that of the device as shown; else it is as planned. `mode`: of the
/// whole.
MetalAlong metalAlong(Problem& p, std::size_t g, const RefineSettings& base, const Mode& mode,
                      const Progress& progress);

}  // namespace rayset::film_fit
