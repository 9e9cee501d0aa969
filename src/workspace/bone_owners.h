// Which bone each voxel of the scan goes with when bones are put where they belong. Internal to the workspace.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "case/case.h"

namespace rayset {

/// On the part of the CT's grid around the bones that may move (metatarsals, pieces broken off them, their toes). A
/// bone takes with it what its blur has spread within kHaloMm, as far as that is denser than muscle (as in
/// xray/bodies.h): its halo.
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

  /// By the labels of the case where they are on the CT's grid, else by its surfaces; toes by its bodies.
  BoneOwners(const Case& c, const CtVolume& ct);
};

}  // namespace rayset
