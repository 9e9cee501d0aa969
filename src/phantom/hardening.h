// Beam hardening by bone: dense bone takes the soft part of the beam first, so that a scanner corrected for water alone
// reads thick bone too low (cupping) and draws dark bands between dense bones.
//
// Model: what exceeds soft tissue in a pixel counts as compact bone (beam.h); one parallel beam of many directions
// reads the slice with four energies, the reading goes through the water correction, and its difference to the true
// line integral is reconstructed by filtered back-projection. Done on pixels of about 1 mm: the effect is smooth. Left
// out: the second, iterative correction that some scanners have; so this is the worst that is seen.
#pragma once

#include <vector>

namespace rayset {

/// Adds the effect to a slice of nx * ny HU values (no noise, no metal); `pixel_mm`: their spacing. Nothing happens
/// where no bone lies in the slice.
void addBoneHardening(std::vector<float>& hu, int nx, int ny, double pixel_mm);

}  // namespace rayset
