// Decides which device was found, since screws look alike.
#pragma once

#include <vector>

#include "xray/film_model.h"

namespace rayset::film_fit {

/// Two devices cannot share a place: the one farther from where it was planned, or would be had it moved with its ray,
/// was found on the other's shadow and counts as not seen. A device found far from its own place, where another, unseen
/// one is expected, is that other device, and is itself not seen. Nor is one seen that is farther from its place than
/// the search reaches. `devices`: by group from `p.bones` on.
void settleOwners(const Problem& p, std::vector<FoundDevice>& devices);

}  // namespace rayset::film_fit
