// Finds the foot in the scan: turns, scales and shifts a template foot of either side onto the bone edges, whatever the
// orientation and whatever part of the foot is in view.
#pragma once

#include "bones/edge_field.h"
#include "bones/template_foot.h"

namespace rayset::bones {

struct Placement {
  Side side = Side::kRight;
  BonePose pose;       ///< uniform scale, of the whole template
  double quality = 0;  ///< 0..1: template explained by edges and edges explained by template
  double rms_mm = 0;
  double explained = 0;  ///< fraction of the edges near the template
};

/// The best placement of each requested side, best first. Empty if there are too few edges.
[[nodiscard]] std::vector<Placement> placeFoot(const TemplatePair& templates, const EdgeField& edges,
                                               const ScanImage& scan, const std::vector<Side>& sides);

}  // namespace rayset::bones
