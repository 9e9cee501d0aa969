// Makes joints of any width, for scans in which the space between two bones is thinner than the scan's blur.
#pragma once

#include "anatomy/bones.h"

namespace rayset {

/// Gives every joint of `bones` the width `space_mm` (above 0): where two bones face each other across less than 3 mm
/// each border moves by half the difference, tapering off from 3 to 4.5 mm so that no edge is left; elsewhere the bones
/// are unchanged. Closed surfaces in one frame.
[[nodiscard]] BoneSurfaces withJointSpace(const BoneSurfaces& bones, double space_mm);

}  // namespace rayset
