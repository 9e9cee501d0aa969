// Connected pieces of a mask on a grid of voxels, found by runs: a flood fill waits for memory at every voxel, whereas
// runs are gathered plane by plane on all threads and then joined.
#pragma once

#include <Eigen/Core>
#include <cstddef>
#include <cstdint>
#include <vector>

namespace rayset::bones {

/// Voxels [from, to) of one row of the grid, all in one piece.
struct Run {
  std::size_t from, to;  ///< offsets in the grid, x fastest
  std::uint32_t piece;
};

/// The connected pieces of the voxels of `mask` equal to `value`; neighbours share a face (6-neighbourhood). Pieces are
/// numbered by their first voxel. `mask` has size.prod() voxels, x fastest. Same result for any number of threads.
class Components {
 public:
  Components(const Eigen::Vector3i& size, const std::vector<std::uint8_t>& mask, std::uint8_t value = 1);
  /// All runs, by offset.
  [[nodiscard]] const std::vector<Run>& runs() const { return runs_; }
  /// Number of voxels of each piece.
  [[nodiscard]] const std::vector<std::size_t>& voxels() const { return voxels_; }
  [[nodiscard]] std::size_t count() const { return voxels_.size(); }
  /// The piece with the most voxels, the first if several tie; 0 if there is none.
  [[nodiscard]] std::uint32_t largest() const;

 private:
  std::vector<Run> runs_;
  std::vector<std::size_t> voxels_;
};

}  // namespace rayset::bones
