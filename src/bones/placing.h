// Where the foot lies in the scan: a template foot of either side turned, scaled and shifted onto the bone edges,
// whatever the orientation and whatever part of the foot the field of view shows.
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

/// The best placement of each side asked for, best first. Empty when the edges are too few.
[[nodiscard]] std::vector<Placement> placeFoot(const TemplatePair& templates, const EdgeField& edges,
                                               const ScanImage& scan, const std::vector<Side>& sides);

}  // namespace rayset::bones
