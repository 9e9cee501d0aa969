// Private to src/xray: the inner loop of line_integrals.cpp, once for each instruction set. This header is compiled
// with different instructions in different files, so it must not define or include anything that is linked by name: an
// inline function compiled for AVX-512 could be the copy the linker keeps for everyone.
#pragma once

#include <cstddef>
#include <cstdint>

namespace rayset::plane_kernel {

inline constexpr int kBlock = 16;  ///< columns of the plane picture processed at once
inline constexpr int kRows = 8;    ///< rows of the plane picture in one tile: sums and rows stay in the first cache
inline constexpr int kChunk = 32;  ///< rows are padded to multiples of this many voxels: 64 bytes
inline constexpr int kWeightBits = 8;
inline constexpr int kPlanes = 2;          ///< planes processed at once: the sums are loaded and stored once for both
inline constexpr int kGuard = 3 * kChunk;  ///< zeros padded on either side of a row, for columns that reach beyond it
/// Columns of two planes processed at once are at most this many voxels apart.
inline constexpr double kApart = 8;
/// Voxels a column may advance in a plane: 4 columns need 8 neighbouring voxels at most (16 bytes, one AVX2 lane).
inline constexpr double kMaxStep = 1.9;

/// One plane of voxels under one tile. Row r of the tile lies `fraction[r]` / 32768 of the way from `above[r]` to
/// `below[r]`; voxels [begin, end) of those rows (multiples of kChunk) may differ from zero, the others are.
struct PlaneTile {
  const std::int16_t* above[kRows];
  const std::int16_t* below[kRows];
  std::int16_t fraction[kRows];
  int begin, end;
  std::int64_t start;           ///< voxel position of column 0, in 1 / 2^32 voxel
  std::int64_t step;            ///< from column to column, ditto; at most kMaxStep
  int first_block, last_block;  ///< blocks with columns within (begin - 1, end)
  std::ptrdiff_t ahead;         ///< offset from these rows to those of the next plane, for prefetching
};

/// Adds `count` planes (1 to kPlanes), which agree in begin, end and blocks, to `sums` (block by block: kRows x kBlock
/// each), as value x 2^kWeightBits. `rows`: kPlanes x kRows x `stride` values of scratch, 64-byte aligned, of which
/// voxel u of a row is at u + kGuard; stride is a multiple of kChunk and at least the row + 2 x kGuard.
using AddPlanes = void (*)(const PlaneTile* planes, int count, std::int16_t* rows, std::ptrdiff_t stride,
                           std::int32_t* sums);

void addPlanesScalar(const PlaneTile* planes, int count, std::int16_t* rows, std::ptrdiff_t stride, std::int32_t* sums);
void addPlanesAvx2(const PlaneTile* planes, int count, std::int16_t* rows, std::ptrdiff_t stride, std::int32_t* sums);
void addPlanesAvx512(const PlaneTile* planes, int count, std::int16_t* rows, std::ptrdiff_t stride, std::int32_t* sums);

}  // namespace rayset::plane_kernel
