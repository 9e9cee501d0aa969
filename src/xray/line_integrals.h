// Line integrals of a volume over the rays of an exposure: the heart of simulated radiographs.
//
// Method (docs/decisions/simulated-radiographs.md): perspective shear-warp after Lacroute and Levoy 1994. Along the
// volume's axis that runs most along the rays, every plane of voxels is drawn into a picture parallel to the planes,
// onto which a point source maps it by scale and shift alone; rows are therefore interpolated with contiguous loads
// and columns by shuffling registers, and no gather is needed. One projective warp then brings the sum to the detector.
// Where the axis changes within a picture, each pixel is drawn along its own axis. Sums over planes are integers, so
// that every instruction set and any number of threads give the same bits.
#pragma once

#include <cstdint>
#include <memory>
#include <span>

#include "image/volume.h"
#include "xray/projection.h"

namespace rayset {

/// Of the machine; each gives bitwise the same result.
enum class InstructionSet { kScalar, kAvx2, kAvx512 };
/// Whether this machine can run it. kAvx512 means Ice Lake or Zen 4 and later (F, BW, VL, VBMI and VNNI).
[[nodiscard]] bool supported(InstructionSet set);
/// The fastest that this machine can run.
[[nodiscard]] InstructionSet bestInstructionSet();

enum class Threads {
  kAll,  ///< spread over all threads (TBB)
  /// On the calling thread, for callers that render many at once (layouts still use all threads).
  kOne
};

/// A rectangle of pixels.
struct PixelBox {
  int column = 0, row = 0, columns = 0, rows = 0;
  [[nodiscard]] bool empty() const { return columns <= 0 || rows <= 0; }
  bool operator==(const PixelBox&) const = default;
};

/// The smallest box that contains both; an empty one is ignored.
[[nodiscard]] PixelBox united(const PixelBox& a, const PixelBox& b);

/// The pixels on which something within `grid`, or within one voxel of it, may cast a shadow. The whole detector if
/// part of that is beside or behind the source.
[[nodiscard]] PixelBox shadow(const Grid& grid, const ProjectionView& view);

/// A volume prepared for projection; const and safe to share between threads.
///
/// The value between voxel centres is trilinear and falls linearly to zero over one voxel beyond the outermost ones:
/// each voxel is a hat function of its own, so volumes add up wherever they are cut apart. Zeros cost next to nothing:
/// the volume is cropped to its nonzero box, and empty stretches of rows are skipped.
///
/// Memory: that box at 2 bytes a voxel, rows padded to whole 64 bytes, and 4 bytes a row, once; and once more for each
/// of the first two axes when a view along it is first needed. Values are stored as 14 bits and a sign, scaled by a
/// power of two: exact to the last bit below 16384, to the second last above.
class ProjectionVolume {
 public:
  /// `voxels`: grid.count() values, i fastest; copied. Throws std::invalid_argument if the count is wrong, a spacing is
  /// not positive or the directions are not perpendicular.
  ProjectionVolume(const Grid& grid, std::span<const std::int16_t> voxels);
  ~ProjectionVolume();
  ProjectionVolume(ProjectionVolume&&) noexcept;
  ProjectionVolume& operator=(ProjectionVolume&&) noexcept;

  /// Cropped to the nonzero voxels; empty if there are none.
  [[nodiscard]] const Grid& grid() const;
  /// Value of a voxel of grid(), as stored.
  [[nodiscard]] double value(int i, int j, int k) const;
  /// Makes the layout for looking along an axis (0, 1, 2) now rather than at the first picture that needs it.
  void prepare(int axis) const;

  struct Impl;
  [[nodiscard]] const Impl& impl() const { return *impl_; }

 private:
  std::unique_ptr<Impl> impl_;
};

/// Adds scale x the integral of the volume over the ray from the source through the pixel, in value x mm, to every
/// pixel on which the volume's box falls. The ray does not end at the detector, so the object has to be in front of it.
/// `out`: view.rows x view.columns, row by row. To film a body moved by X pass view.moved(X.inverse()). Throws
/// std::invalid_argument if `out` has the wrong size or the instruction set is not supported.
void addLineIntegrals(const ProjectionVolume& volume, const ProjectionView& view, float scale, std::span<float> out,
                      InstructionSet set = bestInstructionSet(), Threads threads = Threads::kAll);

/// The same by marching along one ray in double precision with steps of `step_voxels` (of the finest spacing): slow and
/// simple, as a reference for tests and benchmarks.
[[nodiscard]] double lineIntegralReference(const ProjectionVolume& volume, const ProjectionView& view, double column,
                                           double row, double step_voxels);
void addLineIntegralsReference(const ProjectionVolume& volume, const ProjectionView& view, float scale,
                               std::span<float> out, double step_voxels);

}  // namespace rayset
