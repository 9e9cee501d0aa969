// Where two bones end that lie close together. Between two plates the dark line is often thinner than the blur: the
// steepest place of one bone's profile is then not its own border but the far side of its neighbour's plate, and both
// surfaces come to lie in each other. Both borders are therefore fitted together.
//
// Model of the grey value along a line from one bone into the other (s, mm), Phi the normal distribution, S the blur:
//   a + (c - a) Phi((s - x + t) / S) - (c - o) Phi((s - x) / S) + (c - o) Phi((s - y) / S) - (c - b) Phi((s - y - u) /
//   S)
// a, b: cancellous bone on either side; c: compact bone; o: what lies in the joint; t, u: thickness of the two
// subchondral plates; x = m - w / 2 and y = m + w / 2 the two borders. Where the gap is much narrower than the blur its
// width is told by the darkness that is missing from the two plates (about w (c - o)), its middle by their symmetry.
// The same model as in cortex_fit.h for one cortex (Treece et al. 2010, Med Image Anal 14:276), carried on to the
// second.
#pragma once

#include "bones/cortex_fit.h"

namespace rayset::bones {

/// Moves the vertices that lie against another surface to the border fitted there. `surfaces`: local frame, closed, not
/// more than about 2 mm from the truth; they may lie in each other. Returns what every vertex faces (parallel to
/// `surfaces`). Without an edge model (places == 0) nothing moves.
std::vector<std::vector<Facing>> fitJoints(const ScanImage& scan, const EdgeModel& model,
                                           const std::vector<Surface*>& surfaces);

}  // namespace rayset::bones
