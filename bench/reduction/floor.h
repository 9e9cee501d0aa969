// What the reduction leans on, measured on intact feet: how differently the rays of a healthy pair stand, how the
// invented foot lies on real ones, and the joints in figures.
#pragma once

#include "anatomy/bones.h"

namespace rayset {

/// Registers the mirrored other foot to this intact one by plain rigid alignment of surfaces, without any model of
/// joints: the tarsus (as a whole, and each ray's partner alone), and each metatarsal twin (whole bone, and base
/// alone). Prints, ray by ray, how far the twin's place relative to the tarsus is from where the metatarsal stands:
/// shift of the base point and turn.
void printAsymmetry(const BoneSurfaces& foot, const BoneSurfaces& other, Side side);

/// Prints how the template (meanProceduralFoot) lies on an intact foot: each bone laid on by the tarsus as a whole (rms
/// distance of its skin to the real bone's, mm; farther than 6 mm counts as 6), and how far its own fit turns it from
/// there, degrees about the medial, distal and dorsal direction (left feet as right ones).
void printLikeness(const BoneSurfaces& foot, Side side);

/// Prints the joints of an intact foot in figures, as an entry of data/joints.json.
void printFigures(const BoneSurfaces& foot, Side side);

}  // namespace rayset
