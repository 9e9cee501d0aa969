// Which bone each voxel belongs to: bones compete for voxels starting from cores that are certainly theirs, and the
// dark sheet of a joint gap costs far more to cross than bone.
#pragma once

#include "anatomy/labels.h"
#include "bones/deform.h"

namespace rayset::bones {

/// Label for bone that is not one of the fitted template bones (toes, a second leg, a stray piece).
inline constexpr std::uint8_t kOther = kLabelsOfFoot - 1;

struct Labelling {
  std::vector<std::uint8_t> labels;  ///< on ScanImage::grey's grid: label(Bone), kOther or 0
  std::vector<float> touching;  ///< per bone (parallel to the input): fraction of its border that touches another bone
};

/// A voxel that belongs to a bone because the user said so.
struct Marker {
  std::size_t voxel = 0;  ///< offset in ScanImage::grey
  Bone bone = Bone::kM1;
  Vec3 centre = Vec3::Zero();  ///< of the seed, local frame
  double clear_mm = 5;         ///< within this distance of the seed no other bone's core counts
};

/// `core_mm`: how far inside its fitted template a voxel certainly belongs to the bone (per bone; larger if the fit is
/// poor). `markers`: hard markers set by hand. A connected piece of bone belongs to the bones with markers in it
/// instead of to its single owner; bones that share a piece compete from their cores and the markers.
[[nodiscard]] Labelling labelBones(const ScanImage& scan, const std::vector<std::uint8_t>& exterior,
                                   const std::vector<DeformedBone>& bones, const std::vector<double>& core_mm,
                                   const std::vector<Marker>& markers = {});

}  // namespace rayset::bones
