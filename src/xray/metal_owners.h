// Which device it is that was found: screws look alike.
#pragma once

#include <vector>

#include "xray/film_model.h"

namespace rayset::film_fit {

/// Two devices cannot share a place: the one that lies farther from where it was planned, or has gone with its ray, was
/// found on the other's shadow and is not seen. What is found where a device is expected that is not seen, far from its
/// own place, is that device; the other is not seen then. Nor is one so far from its place that it is not looked for
/// there. `devices`: by group from `p.bones` on.
void settleOwners(const Problem& p, std::vector<FoundDevice>& devices);

}  // namespace rayset::film_fit
