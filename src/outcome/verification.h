// After the operation: are the rays where they were planned, and the metal? What films (film_check.h) or a CT
// (ct_check.h) tell, judged.
//
// What is judged is the position of each metatarsal against the tarsus, compared with the plan. Verdicts: anatomical up
// to 1 mm (trial NCT02374944), acceptable below 2 mm and a talo-first-metatarsal angle below 15 degrees (Myerson 1986),
// else not reduced; the limits and their sources are in data/limits.json. The figure judged is the shift of the base in
// space. A verdict is `sure` when the whole 95 % interval of that shift lies on one side of each limit and nothing
// speaks for another reading of the images.
#pragma once

#include <array>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <vector>

#include "case/plan_record.h"
#include "injury/displacement.h"
#include "injury/measures.h"
#include "outcome/change.h"
#include "xray/projection.h"

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
  double similarity = 0;                    ///< on the worst film; 0 where a CT was read
  double rms_mm = 0;  ///< between the surfaces laid on each other in a CT; 0 where films were read
  /// Of one film alone: the part of the shift in its plane, and its interval. What is along the beam is then not known:
  /// such a ray is not reduced where this says so, and else not judged.
  double in_plane_mm = 0, in_plane_95_mm = 0;
  std::string doubt;  ///< why the verdict is not sure, as a clause; empty where it is
  Outcome verdict = Outcome::kUnknown;
  bool sure = false;
};

struct DeviceOutcome {
  std::string id;
  bool seen = false;
  Vec3 entry = Vec3::Zero(), tip = Vec3::Zero();
  double entry_off_mm = 0, tip_off_mm = 0, axis_off_rad = 0;  ///< from the plan
  double entry_95_mm = 0, tip_95_mm = 0, axis_95_rad = 0;
  double longer_mm = 0;               ///< than planned from end to end, as the images show it
  double gap_mm = 0, gap_at_mm = 0;   ///< without metal, and how far from its entry; 0: in one piece. Films only
  double similarity = 0;              ///< how well its shadow is met, on the film that shows it worst; films only
  DeviceChecks checks;                ///< as it lies, in the bones as they lie
  std::vector<std::string> warnings;  ///< in words
};

/// The planned device where it was found.
[[nodiscard]] Device asFound(const Device& planned, const DeviceOutcome& found);

struct FilmOutcome {
  std::string file;
  std::string view;  ///< as taken to be
  double similarity = 0, shift_mm = 0, turn_rad = 0;
  ProjectionView exposed;
};

struct Verification {
  std::vector<FilmOutcome> films;
  /// One film was all there was: positions along its beam are those of the plan.
  [[nodiscard]] bool oneFilm() const { return films.size() == 1; }
  std::string date;                ///< study date of the images as DICOM has it, the first that tells one; may be empty
  std::string ct;                  ///< the scan that was read, in words; empty where films were
  std::array<RayOutcome, 5> rays;  ///< by ray - 1; ray == 0 where it could not be judged
  std::vector<DeviceOutcome> devices;
  std::vector<Measure> measures;        ///< of the foot as found
  Outcome verdict = Outcome::kUnknown;  ///< of the worst ray
  bool sure = false;
  std::vector<std::string> cautions;
  std::optional<Change> since;  ///< against an earlier check, where there is one
  bool partial = false;         ///< a ray or device could not be found: exit 4
};

/// From poses against the tarsus (planned_to_found of each ray, entry and tip of each device, their intervals) to
/// shifts, verdicts, measures and warnings; fills the rest of `v`.
void drawConclusions(const PlanRecord& plan, const Catalogue& catalogue, Verification& v);

/// Lengths a device may have come in instead of its own, as differences, mm: those of its type within 9 mm. None of a
/// wire, which is cut to length.
[[nodiscard]] std::vector<double> otherLengths(const Device& device, const Catalogue& catalogue);

/// Half width of a 95 % interval, in standard deviations.
inline constexpr double kTwoSided95 = 1.96;
/// The direction in words: "from dorsal to plantar", "along the ray and from medial to lateral"...
[[nodiscard]] std::string directionWords(const Vec3& direction, const Frame& frame);

/// verification.json
[[nodiscard]] nlohmann::ordered_json verificationJson(const PlanRecord& plan, const Verification& v);

}  // namespace rayset
