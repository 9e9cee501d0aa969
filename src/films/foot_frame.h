// The directions distal, lateral and dorsal on one film of one foot, and whether its landmarks are plausible.
#pragma once

#include "base/message.h"
#include "films/film_reading.h"

namespace rayset::films {

/// Unit directions in millimetres on the film (x along columns, y along rows). `across` is lateral on dorsoplantar and
/// oblique films, dorsal on lateral ones.
struct FootFrame {
  Vec2 distal = Vec2(0, -1), across = Vec2(1, 0);
  std::vector<Message> cautions;
};

using PointsMm = std::map<std::string, Vec2, std::less<>>;

/// `points` in millimetres (or, without spacing, in any common unit; `unit_mm` is then a guess of its size).
/// Fault::kRequest, with `where`, if landmarks contradict each other, the side or the view.
[[nodiscard]] Result<FootFrame> footFrame(const PointsMm& points, FilmView view, Side side, bool mirrored,
                                          double unit_mm, const std::string& where);

/// The outward direction from the bone at a landmark.
[[nodiscard]] Vec2 wayOut(const LandmarkKind& kind, const PointsMm& points, const FootFrame& frame);

/// Everything that can be measured on one foot of one film, without side difference and limits. The foot's landmarks
/// are placed; `mm` is the size of a pixel (column, row), `lengths` whether it is known.
[[nodiscard]] std::vector<FilmMeasure> footMeasures(const MeasuredFilm& film, const MeasuredFoot& foot,
                                                    const FootFrame& frame, const Vec2& mm, bool lengths);

}  // namespace rayset::films
