// A planned foot before the tube: its bodies at any pose, its metal, through to a film.
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

/// Bodies made ready for projection once, for any number of exposures. Const and safe to share between threads.
class FootProjector {
 public:
  explicit FootProjector(const FootBodies& bodies);

  /// Line integrals (no unit), row by row: every body at the pose that `poses` (as scanned to as filmed, by poseId())
  /// gives it, identity where it gives none; the soft tissue along with them; metal in the tissue's place, at 316L
  /// steel's attenuation less that of bone between.
  [[nodiscard]] std::vector<float> lineIntegrals(const ProjectionView& view, const std::map<std::string, Rigid>& poses,
                                                 std::span<const MetalSolid> metal = {}) const;
  /// The pixels that bones and toes may cast shadows on, the foot without its soft tissue; of the forefoot and the
  /// bones it stands on alone (metatarsals, cuneiforms, cuboid) where `midfoot`.
  [[nodiscard]] PixelBox shadow(const ProjectionView& view, const std::map<std::string, Rigid>& poses,
                                bool midfoot = false) const;

 private:
  struct Prepared {
    std::string id;
    std::string pose;  ///< whose pose it takes
    std::shared_ptr<const ProjectionVolume> volume;
  };
  /// Soft tissue as it lies with the bones there; that of the last poses is kept, for they come in several views.
  [[nodiscard]] std::shared_ptr<const ProjectionVolume> softAt(const std::map<std::string, Rigid>& poses) const;

  std::vector<Prepared> bodies_;
  SoftTissue soft_;
  struct Carried;
  std::shared_ptr<Carried> carried_;
};

}  // namespace rayset
