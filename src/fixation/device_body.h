// Devices side by side: the room one takes in the bone and outside it, and what it costs to come near another. Internal
// to the fixation stage.
#pragma once

#include <vector>

#include "fixation/construct.h"

namespace rayset::fixation {

/// The room a device takes.
struct DeviceBody {
  Vec3 entry, tip, direction;
  double radius = 0, head_radius = 0;
  double stub_mm = 0;    ///< stands out of the bone that far
  double driver_mm = 0;  ///< radius of what drives it in
};
[[nodiscard]] DeviceBody bodyOf(const Device& device, const Catalogue& catalogue);

/// From surface to surface, heads included; negative where they cut into each other.
[[nodiscard]] double bodyGap(const DeviceBody& a, const DeviceBody& b);

/// What two devices cost for lying as near to each other as they do, where this gap is wanted between them.
[[nodiscard]] double pairCost(const DeviceBody& a, const DeviceBody& b, double wanted_gap_mm);

/// The other devices a path has to get along with.
struct Neighbours {
  std::vector<DeviceBody> bodies;
  double wanted_gap_mm = 0;
  /// `own`, the cost of the path by itself, with that of every neighbour added.
  [[nodiscard]] double addedTo(double own, const DeviceBody& body) const;
};

}  // namespace rayset::fixation
