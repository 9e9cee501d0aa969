// After the operation: are the rays and the metal where they were planned? Judges what films (film_check.h) or a CT
// (ct_check.h) show.
//
// The position of each metatarsal relative to the tarsus is compared with the plan. Verdicts: anatomical up to 1 mm
// (trial NCT02374944), acceptable below 2 mm with a talo-first-metatarsal angle below 15 degrees (Myerson 1986), else
// not reduced; the limits and their sources are in data/limits.json. The verdict goes by the shift of the base in
// space. It is `sure` if the whole 95 % interval of that shift lies on one side of each limit and nothing suggests
// another reading of the images.
#pragma once

#include <array>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <vector>

#include "base/message.h"
#include "case/plan_record.h"
#include "injury/displacement.h"
#include "injury/limits.h"
#include "injury/measures.h"
#include "language/words.h"
#include "outcome/change.h"
#include "xray/projection.h"

namespace rayset {

enum class Outcome { kAnatomical, kAcceptable, kNotReduced, kUnknown };
/// "anatomical", "acceptable", "not reduced", "not known".
[[nodiscard]] std::string_view wordOf(Outcome outcome);

struct RayOutcome {
  Ray ray;
  Rigid planned_to_found = Rigid::Identity();
  RayDisplacement off;                      ///< of the base from where it was planned, foot frame
  double shift_mm = 0;                      ///< its length in space
  double turn_rad = 0;                      ///< angle of the whole rotation
  double shift_95_mm = 0, turn_95_rad = 0;  ///< half widths of 95 % intervals, along the least certain direction
  Vec3 weakest = Vec3::Zero();              ///< that direction of the shift, patient frame, unit
  Message weakest_words;                    ///< "from dorsal to plantar"...
  double similarity = 0;                    ///< on the worst film; 0 for a CT
  double rms_mm = 0;                        ///< between the registered surfaces of a CT; 0 for films
  /// With a single film: the part of the shift in its plane, and its interval. The part along the beam is then unknown:
  /// such a ray is not reduced if this says so, and otherwise not judged.
  double in_plane_mm = 0, in_plane_95_mm = 0;
  Message doubt;  ///< why the verdict is not sure, as a clause; empty if it is
  Outcome verdict = Outcome::kUnknown;
  bool sure = false;
};

struct DeviceOutcome {
  std::string id;
  bool seen = false;
  Vec3 entry = Vec3::Zero(), tip = Vec3::Zero();
  double entry_off_mm = 0, tip_off_mm = 0, axis_off_rad = 0;  ///< from the plan
  double entry_95_mm = 0, tip_95_mm = 0, axis_95_rad = 0;
  double longer_mm = 0;  ///< than planned, end to end, as the images show
  /// Stretch without metal, and its distance from the entry; 0: in one piece. Films only.
  double gap_mm = 0, gap_at_mm = 0;
  double similarity = 0;          ///< how well its shadow matches, on the film that shows it worst; films only
  DeviceChecks checks;            ///< in its found position, in the bones as found
  std::vector<Message> warnings;  ///< in words
};

/// The planned device where it was found.
[[nodiscard]] Device asFound(const Device& planned, const DeviceOutcome& found);

struct FilmOutcome {
  std::string file;
  Message view;  ///< as assumed
  double similarity = 0, shift_mm = 0, turn_rad = 0;
  ProjectionView exposed;
};

struct Verification {
  std::vector<FilmOutcome> films;
  /// With a single film, positions along its beam are those of the plan.
  [[nodiscard]] bool oneFilm() const { return films.size() == 1; }
  std::string date;         ///< study date of the images in DICOM form, the first available; may be empty
  Message ct;               ///< the scan that was read; empty for films
  PerRay<RayOutcome> rays;  ///< absent if it could not be judged
  std::vector<DeviceOutcome> devices;
  std::vector<Measure> measures;        ///< of the foot as found
  Outcome verdict = Outcome::kUnknown;  ///< of the worst ray
  bool sure = false;
  std::vector<Message> cautions;
  std::optional<Change> since;  ///< since an earlier check, if there is one
  bool partial = false;         ///< a ray or device could not be found: exit 4
};

/// The limits of the verdicts. kRequest, naming the file, if one of them is missing.
struct VerdictLimits {
  double anatomical_mm = 0, acceptable_mm = 0, angle_deg = 0;
};
[[nodiscard]] Result<VerdictLimits> verdictLimits(const Limits& limits);

/// From poses relative to the tarsus (planned_to_found of each ray, entry and tip of each device, their intervals),
/// derives shifts, verdicts, measures and warnings, and fills the rest of `v`. Errors as verdictLimits().
[[nodiscard]] Status drawConclusions(const PlanRecord& plan, const Catalogue& catalogue, const Limits& limits,
                                     Verification& v);

/// Other catalogue lengths of a device's type within 9 mm, as differences from its own, mm. None for a wire, which is
/// cut to length.
[[nodiscard]] std::vector<double> otherLengths(const Device& device, const Catalogue& catalogue);

/// Half width of a 95 % interval, in standard deviations.
inline constexpr double kTwoSided95 = 1.96;
/// The direction in words: "from dorsal to plantar", "along the ray and from medial to lateral"...
[[nodiscard]] Message directionWords(const Vec3& direction, const Frame& frame);

/// verification.json
[[nodiscard]] nlohmann::ordered_json verificationJson(const PlanRecord& plan, const Verification& v,
                                                      const Words& words);

}  // namespace rayset
