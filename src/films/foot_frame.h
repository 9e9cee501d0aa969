// Where distal, lateral and dorsal are on one film of one foot, and whether its landmarks can lie as they do.
#pragma once

#include "films/film_reading.h"

namespace rayset::films {

/// Unit directions in millimetres on the film (x along columns, y along rows). `across` is lateral on dorsoplantar and
/// oblique films, dorsal on lateral ones.
struct FootFrame {
  Vec2 distal = Vec2(0, -1), across = Vec2(1, 0);
  std::vector<std::string> cautions;
};

using PointsMm = std::map<std::string, Vec2, std::less<>>;

/// `points` in millimetres (or in any common unit where there is no spacing; `unit_mm` is then a guess of its size).
/// Fault::kRequest, with `where`, for landmarks that contradict each other, the side or the view.
[[nodiscard]] Result<FootFrame> footFrame(const PointsMm& points, FilmView view, Side side, bool mirrored,
                                          double unit_mm, const std::string& where);

/// The way out of bone at a landmark.
[[nodiscard]] Vec2 wayOut(const LandmarkKind& kind, const PointsMm& points, const FootFrame& frame);

/// Everything that can be measured on one foot of one film, without side difference and limits. `landmarks` placed;
/// `mm` the size of a pixel (column, row), `lengths` whether it is known.
[[nodiscard]] std::vector<FilmMeasure> footMeasures(const MeasuredFilm& film, const MeasuredFoot& foot,
                                                    const FootFrame& frame, const Vec2& mm, bool lengths);

}  // namespace rayset::films
