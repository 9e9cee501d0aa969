// Beam hardening by bone: dense bone takes the soft part of the beam first, so that a scanner corrected for water only
// reads thick bone too low (cupping) and shows dark bands between dense bones.
//
// Model: what exceeds soft tissue in a pixel counts as compact bone (beam.h); one parallel beam of many directions
// reads the slice with four energies, the reading goes through the water correction, and its difference from the true
// line integral is reconstructed by filtered back-projection. This is done on pixels of about 1 mm, as the effect is
// smooth. Left out: the second, iterative correction of some scanners; so this is the worst case.
#pragma once

#include <vector>

namespace rayset {

/// Adds the effect to a slice of nx * ny HU values (no noise, no metal); `pixel_mm`: their spacing. Does nothing if the
/// slice contains no bone.
void addBoneHardening(std::vector<float>& hu, int nx, int ny, double pixel_mm);

}  // namespace rayset
