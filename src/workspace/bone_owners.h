// Which bone each voxel of the scan moves with when bones are reduced. Internal to the workspace.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "case/case.h"

namespace rayset {

/// Covers the part of the CT's grid around the bones that may move (metatarsals, their fragments, their toes). A bone
/// takes along the blur that spread within kHaloMm as far as it is denser than muscle (as in xray/bodies.h): its halo.
struct BoneOwners {
  static constexpr std::uint8_t kIdBits = 0x3F, kHalo = 0x40;

  struct Movable {
    std::uint8_t id = 0;        ///< in the voxels
    std::string pose;           ///< whose pose it takes, see poseId()
    Eigen::Vector3i low, high;  ///< its voxels with halo, index in the CT's grid, both included
  };
  Eigen::Vector3i low = Eigen::Vector3i::Zero();  ///< of voxel (0, 0, 0), in the CT's grid
  LabelVolume voxels;                             ///< 0: nobody; else an id, with kHalo outside the bone itself
  std::vector<Movable> bodies;                    ///< that may move

  /// From the labels of the case if they are on the CT's grid, else from its surfaces; toes from its bodies.
  BoneOwners(const Case& c, const CtVolume& ct);
};

}  // namespace rayset
