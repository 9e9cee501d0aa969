// Where two bones that are close together end. The dark line between two plates is often thinner than the blur: the
// steepest point of one bone's profile is then not its own border but the far side of its neighbour's plate, and the
// two surfaces overlap. So both borders are fitted together.
//
// Model of the grey value along a line from one bone into the other (s, mm), Phi the normal distribution, S the blur:
//   a + (c - a) Phi((s - x + t) / S) - (c - o) Phi((s - x) / S)
//     + (c - o) Phi((s - y) / S) - (c - b) Phi((s - y - u) / S)
// a, b: cancellous bone on either side; c: compact bone; o: the joint's contents; t, u: thickness of the two
// subchondral plates; x = m - w / 2 and y = m + w / 2 the two borders. If the gap is much narrower than the blur, its
// width follows from the darkness missing from the two plates (about w (c - o)), its middle from their symmetry. This
// extends the model for one cortex in cortex_fit.h (Treece et al. 2010, Med Image Anal 14:276) to the second.
#pragma once

#include "bones/cortex_fit.h"

namespace rayset::bones {

/// Moves the vertices that face another surface to the border fitted there. `surfaces`: local frame, closed, within
/// about 2 mm of the truth; they may overlap. Returns what every vertex faces (parallel to `surfaces`). Without an edge
/// model (places == 0) nothing moves.
std::vector<std::vector<Facing>> fitJoints(const ScanImage& scan, const EdgeModel& model,
                                           const std::vector<Surface*>& surfaces);

}  // namespace rayset::bones
