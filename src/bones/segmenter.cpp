#include "bones/segmenter.h"

namespace rayset {

BoneSurfaces SegmentedFoot::surfaces() const {
  BoneSurfaces out;
  for (const auto& [id, bone] : bones) out.emplace(id, bone.surface);
  return out;
}

}  // namespace rayset
