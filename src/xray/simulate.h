// Films a planned foot: its bodies in any pose, and its metal.
#pragma once

#include <map>
#include <memory>
#include <span>
#include <string>
#include <vector>

#include "xray/bodies.h"
#include "xray/line_integrals.h"
#include "xray/metal.h"
#include "xray/projection.h"
#include "xray/soft_tissue.h"
#include "xray/tone.h"

namespace rayset {

/// Bodies prepared once for any number of exposures. Const and safe to share between threads.
class FootProjector {
 public:
  explicit FootProjector(const FootBodies& bodies);

  /// Line integrals (no unit), row by row: every body at the pose that `poses` (as scanned to as filmed, by poseId())
  /// gives it, identity if it gives none; the soft tissue moves with them; metal replaces tissue, at the attenuation of
  /// 316L steel less that of bone.
  [[nodiscard]] std::vector<float> lineIntegrals(const ProjectionView& view, const std::map<std::string, Rigid>& poses,
                                                 std::span<const MetalSolid> metal = {}) const;
  /// The pixels that bones and toes may cast shadows on, without the soft tissue; with `midfoot`, only those of the
  /// metatarsals, cuneiforms and cuboid.
  [[nodiscard]] PixelBox shadow(const ProjectionView& view, const std::map<std::string, Rigid>& poses,
                                bool midfoot = false) const;

 private:
  struct Prepared {
    std::string id;
    std::string pose;  ///< whose pose it takes
    std::shared_ptr<const ProjectionVolume> volume;
  };
  /// Soft tissue with the bones at these poses; the last result is kept, since one set of poses is filmed in several
  /// views.
  [[nodiscard]] std::shared_ptr<const ProjectionVolume> softAt(const std::map<std::string, Rigid>& poses) const;

  std::vector<Prepared> bodies_;
  SoftTissue soft_;
  struct Carried;
  std::shared_ptr<Carried> carried_;
};

}  // namespace rayset
