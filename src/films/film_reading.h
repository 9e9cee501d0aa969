// What plain radiographs say about an injured foot: measures with their limits, the pattern, the Nunley-Vertullo stage,
// flecks, and what cannot be determined. No CT is needed.
//
// Measures are taken from landmarks placed by hand and snapped to the nearest edge; docs/films.md and
// FilmMeasure::definition define them. All lengths are in the plane of the film, scaled by the film's spacing
// (FilmSpacing); every measure has the half width of its 95 % interval, from the uncertainty of landmarks and scale.
#pragma once

#include <map>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <vector>

#include "base/message.h"
#include "dicom/film_reader.h"
#include "films/landmarks.h"
#include "films/snap.h"
#include "injury/limits.h"
#include "injury/patterns.h"
#include "language/words.h"

namespace rayset {

struct PlacedLandmark {
  std::string name;
  Vec2 given = Vec2::Zero(), used = Vec2::Zero();  ///< pixels
  bool on_edge = false;                            ///< lies on a border, so it may be snapped
  bool snapped = false;
  double moved_mm = 0;       ///< by snapping, positive outwards
  Vec2 out = Vec2::UnitX();  ///< outward from the bone: unit, in millimetres on the film
  double sd_mm = 0;          ///< standard deviation of its position along `out`
  double sd_along_mm = 0;    ///< along the border: as placed by hand
};

/// A line to draw, in pixels.
struct FilmLine {
  enum class Kind { kMeasure, kBorder, kAxis } kind = Kind::kBorder;
  Vec2 from = Vec2::Zero(), to = Vec2::Zero();
};

struct AppliedLimit {
  std::string key;
  double value = 0;
  std::string unit;
  Message words;  ///< "above 5.0 mm", "side difference above 1.0 mm"
  bool on_difference = false;
  bool exceeded = false;
  bool borderline = false;  ///< the limit lies in the 95 % interval of what is judged
  bool decides = true;      ///< false: contradicted by normal values, shown only
  std::string source, certainty, applies_to;
  Message contradiction;  ///< what contradicts it; empty: nothing known
};

struct FilmMeasure {
  std::string key;
  Message name, definition;
  std::string unit;
  Side side = Side::kRight;
  FilmView view = FilmView::kDorsoplantar;
  std::size_t film = 0;  ///< index into FilmReading::films
  double value = 0;
  double uncertainty = 0;                                           ///< half width of the 95 % interval
  std::optional<double> other, difference, difference_uncertainty;  ///< of the other foot; value - other
  std::vector<AppliedLimit> limits;
  std::optional<bool> abnormal;  ///< nullopt: no limit is suitable for a verdict here
  bool borderline = false;       ///< within the uncertainty the verdict could be the opposite
  Message note;
  std::vector<FilmLine> lines;
  Vec2 label = Vec2::Zero();  ///< where its number is drawn, pixels
};

struct FleckFinding {
  Side side = Side::kRight;
  std::size_t film = 0;
  std::vector<Vec2> outline;        ///< pixels
  std::optional<double> size_mm;    ///< greatest extent; nullopt for a single point or without spacing
  std::optional<double> area_mm2;   ///< of an outline
  std::optional<bool> in_interval;  ///< between C1 and the base of M2; nullopt without those landmarks
};

struct MeasuredFoot {
  Side side = Side::kRight;
  std::vector<PlacedLandmark> landmarks;
  std::vector<Message> cautions;
  /// Unit directions on the film in millimetres (x along columns, y along rows); `across` is lateral, on lateral films
  /// dorsal. nullopt if the landmarks do not determine them.
  std::optional<Vec2> distal, across;
  [[nodiscard]] const PlacedLandmark* find(std::string_view name) const;
};

struct MeasuredFilm {
  FilmScan scan;
  FilmView view = FilmView::kDorsoplantar;
  std::optional<bool> weight_bearing;
  bool mirrored = false;
  FilmSpacing spacing;  ///< the one used: by hand, or the file's
  std::vector<MeasuredFoot> feet;
  std::vector<Message> cautions;  ///< of the file and of its landmarks
};

/// Stages of ligamentous midfoot sprains (Nunley and Vertullo 2002). "Diastasis" is read as widening relative to the
/// other foot: the absolute distance in a normal foot is above every boundary (docs/films.md).
struct NunleyVertullo {
  std::string value;  ///< "I or normal", "II", "III", "undefined", "not given"
  Message reason;     ///< in words
  bool borderline = false;
};
/// `widening_mm`: the larger of the C1-M2 and M1-M2 side differences, both feet weight-bearing, with the half width of
/// its 95 % interval; `arch_lost`: arch lower than on the other foot, or inverted. Boundaries from `limits`.
[[nodiscard]] NunleyVertullo nunleyVertullo(std::optional<double> widening_mm, double uncertainty_mm,
                                            std::optional<bool> arch_lost, const Limits& limits);

/// Shift of a ray's base as films show it.
struct FilmRay {
  Ray ray;
  std::optional<double> lateral_mm, dorsal_mm;
  /// Relative to the other foot rather than to the line of the tarsal bone.
  bool lateral_by_difference = false, dorsal_by_difference = false;
};
struct FilmPattern {
  PerRay<FilmRay> rays;  ///< all five
  Patterns names;
  std::vector<Message> assumed;  ///< what the names assume without its having been seen
  bool holds = false;            ///< names are given, and do not depend on the unseen displacements
  std::vector<Message> unseen;   ///< what films cannot show
};

struct FilmReading {
  Side injured = Side::kRight;
  std::vector<MeasuredFilm> films;
  std::vector<FilmMeasure> measures;        ///< of the injured foot, with difference and limits
  std::vector<FilmMeasure> other_measures;  ///< of the other foot, without verdict
  std::vector<FleckFinding> flecks;
  NunleyVertullo stage;
  FilmPattern pattern;
  std::vector<Message> cautions;  ///< of the whole; a film has its own
  bool partial = false;           ///< something asked for could not be measured (no spacing, too few landmarks)
};

struct FilmSettings {
  SnapSettings snap;
  bool snapping = true;
};

/// Do the films belong together? Returns cautions about missing identifiers. Fault::kImages, naming two films, if their
/// Patient ID, name or birth date differ.
[[nodiscard]] Result<std::vector<Message>> checkPatients(const std::vector<FilmInfo>& films);

/// Takes all measures that the landmarks allow. `scans` in any order; the landmarks' `file` names them. Fault::kRequest
/// if landmarks and films do not match (a film that is not there, points outside the picture or the exposed field, a
/// view or side that contradicts the header or the arrangement of the landmarks); Fault::kImages if the films are of
/// different patients.
[[nodiscard]] Result<FilmReading> measureFilms(std::vector<FilmScan> scans, const LandmarkFile& landmarks,
                                               const Limits& limits, const FilmSettings& settings = {});

/// film.json (data/schema/film.schema.json).
[[nodiscard]] nlohmann::ordered_json filmJson(const FilmReading& reading, const Words& words);

}  // namespace rayset
