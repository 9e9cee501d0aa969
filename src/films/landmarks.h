// Landmarks on plain radiographs of the foot: the list of them with their meaning, and the file that gives their places
// (landmarks.json; docs/films.md, data/schema/landmarks.schema.json).
//
// Points are (column, row) in pixels of the film as stored, (0, 0) the CENTRE of the first pixel.
#pragma once

#include <filesystem>
#include <map>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "base/message.h"
#include "base/result.h"
#include "dicom/film_reader.h"
#include "xray/projection.h"

namespace rayset {

/// The outward direction from the bone at a landmark; kNone: a point inside, which is on no edge.
enum class EdgeWay { kNone, kToMedial, kToLateral, kToDorsal, kToPlantar };

struct LandmarkKind {
  std::string_view name;  ///< "C1.lateral.distal"
  FilmView view;          ///< the view it is placed on; a name occurs at most once per view
  Message meaning;        ///< where to click
  EdgeWay out = EdgeWay::kNone;
  std::string_view along;  ///< the other point of the same border, which gives its direction; may be empty
};
/// All landmarks of all views, in the order in which they are best placed.
[[nodiscard]] const std::vector<LandmarkKind>& landmarkKinds();
[[nodiscard]] const LandmarkKind* landmarkKind(FilmView view, std::string_view name);

/// Something of known size beside the foot, at the height of the joints.
struct FilmCalibration {
  enum class Kind { kBall, kLength } kind = Kind::kBall;
  double mm = 0;          ///< diameter of the ball, or the length
  std::vector<Vec2> rim;  ///< kBall: on its rim, three or more; or one together with `centre`
  std::optional<Vec2> centre;
  std::vector<Vec2> ends;  ///< kLength: two
};

struct FootLandmarks {
  Side side = Side::kRight;
  std::map<std::string, Vec2, std::less<>> points;  ///< by name
  std::vector<std::vector<Vec2>> flecks;            ///< outline (three or more), two ends, or one point of each
};

struct FilmLandmarks {
  std::string file;
  int frame = 0;  ///< 1-based; 0: not given
  FilmView view = FilmView::kDorsoplantar;
  std::optional<bool> weight_bearing;  ///< nullopt: unknown
  bool mirrored = false;               ///< the film is the wrong way round (seen from the sole)
  bool ignore_header_view = false, ignore_header_side = false;  ///< the header is known to be wrong
  std::optional<FilmCalibration> calibration;
  std::vector<FootLandmarks> feet;  ///< one or two, of different sides
};

struct LandmarkFile {
  Side injured = Side::kRight;
  std::vector<FilmLandmarks> films;
};

/// Reads and checks a landmarks file. Null points were not placed and are omitted. Errors (Fault::kRequest) name the
/// file, the film, the key and the remedy, with the nearest name for a misspelt one.
[[nodiscard]] Result<LandmarkFile> readLandmarks(const std::filesystem::path& file);
[[nodiscard]] Result<LandmarkFile> parseLandmarks(const nlohmann::json& document, const std::string& name);

/// A template to fill in for these films: every landmark of the view given by the header (dorsoplantar, with a note, if
/// there is none) as null, and "meaning" saying where each one lies. Messages stand in it as such: inWords() makes it
/// the file.
[[nodiscard]] nlohmann::ordered_json landmarkTemplate(const std::vector<FilmInfo>& films);

/// The word in `known` with the smallest edit distance to `word`, if small enough to be a typing error; else empty.
[[nodiscard]] std::string nearestWord(std::string_view word, const std::vector<std::string>& known);

}  // namespace rayset
