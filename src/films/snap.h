// Moves a hand-placed point to the bone edge it was meant for.
//
// The grey-value profile along the outward direction from the bone is averaged over a short stretch of the border and
// differentiated with a Gaussian. The edge is where it falls most steeply (bone is brighter than what lies outside it),
// to a fraction of a pixel by a parabola through the steepest sample and its neighbours (the edge after Canny, IEEE
// Trans Pattern Anal Mach Intell 1986;8:679, from memory: maximum of the Gaussian-smoothed gradient). Of several edges
// within reach the NEAREST is taken among those at least half as strong as the strongest: a stronger edge farther away
// often belongs to the next bone.
#pragma once

#include <optional>

#include "image/film.h"
#include "xray/projection.h"

namespace rayset {

struct SnapSettings {
  double reach_mm = 3;            ///< how far the edge may be from the point
  double stretch_mm = 2;          ///< length of border that is averaged
  double sigma_mm = 0.35;         ///< of the Gaussian; at least 1.2 pixels
  double least_noise = 5;         ///< steepness of an edge, in standard deviations of the gradient's noise
  double least_contrast = 0.015;  ///< height of an edge, as a fraction of the film's range (1 to 99 percentile)
};

struct SnapResult {
  bool found = false;
  Vec2 at = Vec2::Zero();  ///< pixels; the given point where no edge was found
  double moved_mm = 0;     ///< along `out`, positive outwards
  double sd_mm = 0;        ///< standard deviation of the edge's position from noise alone
};

/// `point` in pixels; `out_mm` the outward direction from the bone in millimetres (x along columns, y along rows; any
/// length); `pixel_mm` the pixel size (column, row); `range` the film's grey range. The reach is cut at the film's
/// border.
[[nodiscard]] SnapResult snapToEdge(const Film& film, const Vec2& point, const Vec2& out_mm, const Vec2& pixel_mm,
                                    double range, const SnapSettings& settings = {});

/// 99th minus 1st percentile inside a box of pixels.
[[nodiscard]] double greyRange(const Film& film, int left, int top, int right, int bottom);

}  // namespace rayset
