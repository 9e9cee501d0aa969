// A device of another length than planned, as films show it.
#pragma once

#include "base/progress.h"
#include "xray/film_refine.h"

namespace rayset::film_fit {

/// By how many mm the device of group `g` is longer than planned (negative: shorter), of those it may be
/// (PlannedMetal::longer_mm); 0 where films show nothing better than the planned length. Its pose is then that of the
/// device of that length. Of a screw: its head and thread stay as they are. `mode`: of the whole.
double otherLength(Problem& p, std::size_t g, const RefineSettings& base, const Mode& mode, const Progress& progress);

}  // namespace rayset::film_fit
