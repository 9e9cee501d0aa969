// Volume filters, thin wrappers around ITK. Every function keeps the grid it was given unless stated otherwise; spacing
// is respected (millimetres), and the result does not depend on the number of threads.
#pragma once

#include <cstdint>
#include <filesystem>
#include <vector>

#include "base/result.h"
#include "image/volume.h"

namespace rayset {

/// Gaussian smoothing, sigma in mm (ITK recursive Gaussian, Deriche).
[[nodiscard]] FloatVolume smoothGaussian(const FloatVolume& in, double sigma_mm);
[[nodiscard]] FloatVolume smoothGaussian(const CtVolume& in, double sigma_mm);
/// Signed Euclidean distance in mm to the border of the non-zero voxels, negative inside (ITK signed Maurer).
/// The zero level lies on border voxel centres, not between voxels (half a voxel of bias).
[[nodiscard]] FloatVolume signedDistance(const LabelVolume& mask);
/// Floods `landscape` from `markers` (0 = unlabelled); every voxel gets a label (ITK morphological watershed).
[[nodiscard]] LabelVolume watershed(const Volume<std::int16_t>& landscape, const LabelVolume& markers);
/// Connected components (26-neighbourhood when `full`), labelled 1.. by decreasing size; pieces below `least_voxels`
/// become 0.
[[nodiscard]] Volume<std::uint32_t> components(const LabelVolume& mask, std::size_t least_voxels = 1,
                                               bool full = false);
/// Binary closing, opening, erosion, dilation by a ball of the radius in mm.
[[nodiscard]] LabelVolume dilate(const LabelVolume& mask, double radius_mm);
[[nodiscard]] LabelVolume erode(const LabelVolume& mask, double radius_mm);
[[nodiscard]] LabelVolume closing(const LabelVolume& mask, double radius_mm);
[[nodiscard]] LabelVolume opening(const LabelVolume& mask, double radius_mm);
/// Background components that do not reach the border of the grid become foreground.
[[nodiscard]] LabelVolume fillHoles(const LabelVolume& mask);
/// Linear resampling onto another grid.
[[nodiscard]] CtVolume resample(const CtVolume& in, const Grid& grid, std::int16_t outside);
[[nodiscard]] FloatVolume resample(const FloatVolume& in, const Grid& grid, float outside);
/// The part of the grid from index `low` to `high`, inclusive.
template <class T>
[[nodiscard]] Volume<T> crop(const Volume<T>& in, const Eigen::Vector3i& low, const Eigen::Vector3i& high);
extern template CtVolume crop(const CtVolume&, const Eigen::Vector3i&, const Eigen::Vector3i&);
extern template LabelVolume crop(const LabelVolume&, const Eigen::Vector3i&, const Eigen::Vector3i&);
extern template FloatVolume crop(const FloatVolume&, const Eigen::Vector3i&, const Eigen::Vector3i&);

/// NRRD (gzip unless `compressed` is false), LPS; errors name the file.
[[nodiscard]] Status writeNrrd(const std::filesystem::path& file, const LabelVolume& volume);
[[nodiscard]] Status writeNrrd(const std::filesystem::path& file, const CtVolume& volume, bool compressed = true);
[[nodiscard]] Result<LabelVolume> readNrrdLabels(const std::filesystem::path& file);
[[nodiscard]] Result<CtVolume> readNrrdCt(const std::filesystem::path& file);

}  // namespace rayset
