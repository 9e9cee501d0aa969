// From the positions of cross-sections to the grid of a volume: sorting, duplicates, gaps, uneven spacing, gantry tilt.
//
// PS3.3 C.7.6.2.1.1: a pixel (column i, row j) of a slice lies at position + row_direction * column_spacing * i +
// column_direction * row_spacing * j. The order of slices is that of position . n with n = row x column (never Instance
// Number, which may run either way), so the grid is right-handed. The distance between slices comes from positions,
// never from Slice Thickness or Spacing Between Slices.
#pragma once

#include <string>
#include <utility>
#include <vector>

#include "base/message.h"
#include "base/result.h"
#include "dicom/header.h"
#include "image/volume.h"

namespace rayset::dicom {

// Limits; all ours.
inline constexpr int kLeastSlices = 8;
inline constexpr double kSamePlace = 0.01;      ///< mm: closer slices are at one place
inline constexpr double kEvenTolerance = 0.10;  ///< of the spacing: a slice this far from its regular place is in place
inline constexpr double kMildUnevenness = 0.40;  ///< of the spacing: gaps within this of the median are resampled
inline constexpr double kWidestGap = 3.0;        ///< mm between the slices on both sides of missing ones
inline constexpr int kMostMissingTogether = 3;
inline constexpr double kMostMissingShare = 0.03;           ///< of all slices (but two are always allowed)
inline constexpr double kThinnest = 0.05, kThickest = 5.0;  ///< mm, slice spacing
inline constexpr double kMostTilt_deg = 40;                 ///< CT gantries tilt up to 30 degrees (from memory)
inline constexpr double kDriftPixels = 0.25;       ///< sideways drift over the whole stack below which there is no tilt
inline constexpr double kMostVoxels = 1073741824;  ///< 2^30: 2 GiB

/// How the slices of one stack become a volume.
struct StackPlan {
  std::vector<int> slices;   ///< indices into the frames given, along n, without duplicates
  std::vector<int> layer;    ///< for each of them its place k in the raw volume
  int layers = 0;            ///< of the raw volume; slices.size() plus the missing ones
  std::vector<Vec3> origin;  ///< for each layer the centre of its first pixel (missing layers: interpolated)
  std::vector<std::pair<int, int>> duplicates;  ///< (kept, dropped), to be compared pixel by pixel
  bool tilted = false;
  double tilt_deg = 0;
  bool uneven = false;
  Grid grid;  ///< of the finished volume
  double median_spacing = 0;
  std::vector<Message> notes;
};

/// All frames must share matrix, spacing and orientation. `name` says what a frame is called in messages.
/// Fault::kImages, naming the slices, if no volume can be made.
[[nodiscard]] Result<StackPlan> planStack(const std::vector<FrameHeader>& frames,
                                          const std::vector<std::string>& names);

/// Applies the plan to the raw volume (slices in their layers, missing layers unset): shear upright, fill gaps,
/// resample unevenly spaced slices. Returns the volume on plan.grid. `raw` holds layers * rows * columns values.
[[nodiscard]] CtVolume finishStack(std::vector<std::int16_t>&& raw, const StackPlan& plan, int columns, int rows);

inline constexpr std::int16_t kAir = -1024;

}  // namespace rayset::dicom
