// After the operation: are the rays where they were planned, and the metal? From two or more films.
//
// What is judged is the position of each metatarsal against the tarsus, compared with the plan, as the registration of
// films finds it (xray/film_registration.h). Verdicts: anatomical up to 1 mm (trial NCT02374944), acceptable below 2 mm
// and a talo-first-metatarsal angle below 15 degrees (Myerson 1986), else not reduced; the limits and their sources are
// in data/limits.json. The figure judged is the shift of the base in space. A verdict is `sure` when the whole 95 %
// interval of that shift lies on one side of each limit.
#pragma once

#include <array>
#include <filesystem>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <vector>

#include "case/plan_record.h"
#include "dicom/film_reader.h"
#include "injury/displacement.h"
#include "injury/measures.h"
#include "xray/film_registration.h"

namespace rayset {

enum class Outcome { kAnatomical, kAcceptable, kNotReduced, kUnknown };
/// "anatomical", "acceptable", "not reduced", "not known".
[[nodiscard]] std::string_view wordOf(Outcome outcome);

struct RayOutcome {
  int ray = 0;
  Rigid planned_to_found = Rigid::Identity();
  RayDisplacement off;                      ///< of the base from where it was planned, foot frame
  double shift_mm = 0;                      ///< its length in space
  double turn_rad = 0;                      ///< angle of the whole turn
  double shift_95_mm = 0, turn_95_rad = 0;  ///< half widths of 95 % intervals, along the least certain direction
  Vec3 weakest = Vec3::Zero();              ///< that direction of the shift, patient frame, unit
  std::string weakest_words;                ///< "from dorsal to plantar"...
  double similarity = 0;
  Outcome verdict = Outcome::kUnknown;
  bool sure = false;
};

struct DeviceOutcome {
  std::string id;
  bool seen = false;
  Vec3 entry = Vec3::Zero(), tip = Vec3::Zero();
  double entry_off_mm = 0, tip_off_mm = 0, axis_off_rad = 0;  ///< from the plan
  double entry_95_mm = 0, tip_95_mm = 0, axis_95_rad = 0;
  DeviceChecks checks;                ///< as it lies, in the bones as they lie
  std::vector<std::string> warnings;  ///< in words
};

struct FilmOutcome {
  std::string file;
  std::string view;  ///< as taken to be
  double similarity = 0, shift_mm = 0, turn_rad = 0;
  ProjectionView exposed;
};

struct Verification {
  std::vector<FilmOutcome> films;
  std::array<RayOutcome, 5> rays;  ///< by ray - 1; ray == 0 where it could not be judged
  std::vector<DeviceOutcome> devices;
  std::vector<Measure> measures;        ///< of the foot as found
  Outcome verdict = Outcome::kUnknown;  ///< of the worst ray
  bool sure = false;
  std::vector<std::string> cautions;
  bool partial = false;  ///< a ray or device could not be found: exit 4
};

/// One film with what is said of it on the command line.
struct CheckedFilm {
  FilmScan scan;
  TubePose tube;        ///< where it was taken from, as far as known
  std::string view;     ///< in words
  double pixel_mm = 0;  ///< at the detector
};

/// Where a film was taken from: `word` is a named view ("dorsoplantar-15", "oblique-30", "lateral"), tube angles
/// ("orbital=30,tilt=10", degrees), or empty (from the header). Fault::kRequest for a word that is neither; kImages
/// where nothing tells the view or the size of a pixel.
[[nodiscard]] Result<CheckedFilm> checkedFilm(FilmScan scan, const std::string& word);

struct FilmCheckInput {
  const PlanRecord* plan = nullptr;
  const FootBodies* bodies = nullptr;
  const Catalogue* catalogue = nullptr;
  std::vector<CheckedFilm> films;
  bool temporary = false;  ///< wires of the temporary stage are still in
};

/// Fault::kRequest for less than two films, films of another patient or of the other side; kImages as registerFilms().
[[nodiscard]] Result<Verification> checkFilms(const FilmCheckInput& input, const Progress& progress = {});

/// verification.json
[[nodiscard]] nlohmann::ordered_json verificationJson(const PlanRecord& plan, const Verification& v);

}  // namespace rayset
