// Devices side by side: the space each takes up inside and outside the bone, and the cost of coming close to another.
// Internal to the fixation stage.
#pragma once

#include <vector>

#include "fixation/construct.h"

namespace rayset::fixation {

/// The space a device takes up.
struct DeviceBody {
  Vec3 entry, tip, direction;
  double radius = 0, head_radius = 0;
  double stub_mm = 0;    ///< length protruding from the bone
  double driver_mm = 0;  ///< radius of what drives it in
};
[[nodiscard]] DeviceBody bodyOf(const Device& device, const Catalogue& catalogue);

/// From surface to surface, heads included; negative if they overlap.
[[nodiscard]] double bodyGap(const DeviceBody& a, const DeviceBody& b);

/// Cost of two devices being as close together as they are, given the gap wanted between them.
[[nodiscard]] double pairCost(const DeviceBody& a, const DeviceBody& b, double wanted_gap_mm);

/// The other devices a path has to avoid.
struct Neighbours {
  std::vector<DeviceBody> bodies;
  double wanted_gap_mm = 0;
  /// The cost of the path on its own, `own`, plus that of every neighbour.
  [[nodiscard]] double addedTo(double own, const DeviceBody& body) const;
};

}  // namespace rayset::fixation
