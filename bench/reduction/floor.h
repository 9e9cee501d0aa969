// What no reduction by the other foot can undercut: how differently the rays of a healthy pair stand.
#pragma once

#include "anatomy/bones.h"

namespace rayset {

/// Registers the mirrored other foot to this intact one by plain rigid alignment of surfaces, without any model of
/// joints: the tarsus (as a whole, and each ray's partner alone), and each metatarsal twin (whole bone, and base
/// alone). Prints, ray by ray, how far the twin's place relative to the tarsus is from where the metatarsal stands:
/// shift of the base point and turn.
void printAsymmetry(const BoneSurfaces& foot, const BoneSurfaces& other, Side side);

/// Prints the joints of an intact foot in figures, as an entry of data/joints.json.
void printFigures(const BoneSurfaces& foot, Side side);

}  // namespace rayset
