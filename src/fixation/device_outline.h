// The shape of a device, shared by its picture and its metal on films.
#pragma once

#include <vector>

#include "fixation/catalogue.h"
#include "fixation/construct.h"

namespace rayset {

/// A stretch of a device along its axis, mm from the entry; `to` lies beyond `from`.
struct OutlineStretch {
  enum class Shape { kCylinder, kCone, kBall };
  /// A cross-section: half-axes of an ellipse, and the radius of the circle of the same area.
  struct Section {
    double wide = 0, narrow = 0, round = 0;
  };
  Shape shape = Shape::kCylinder;
  double from = 0, to = 0;
  Section begin, end;  ///< for a ball: where it is cut; its centre is at `from`, its radius is that of `begin`

  [[nodiscard]] static Section circle(double radius) { return {radius, radius, radius}; }
};

/// From the head or the stub to the point, without gaps. Screw: a hemispherical head with a flat top at the entry, the
/// thread as a cylinder of its outer diameter, a conical point. Wire: its stub, and a bayonet point: the round wire
/// flattens to a blade, then ends in a point. A screw without `type` is drawn as a wire.
[[nodiscard]] std::vector<OutlineStretch> deviceOutline(const Device& device, const ImplantType* type);

/// The outline as rings of increasing `along`, mm from the entry: half-axes of an ellipse; both zero at a point.
struct OutlineRing {
  double along = 0, wide = 0, narrow = 0;
};
[[nodiscard]] std::vector<OutlineRing> outlineRings(const Device& device, const ImplantType* type);

}  // namespace rayset
