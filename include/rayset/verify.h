// After the operation: are bones and metal where they were planned? From films or a CT.
//
//   const auto found = rs::verify({.plan = "plan", .films = {"ap.dcm", "lateral.dcm"}, .out = "check"}, *resources);
//   if (!found) return found.error().exitStatus();
//   for (const rs::RayOutcome& ray : found->rays)
//     std::cout << ray.ray << ' ' << ray.shift_mm << " mm off, within " << ray.shift_95_mm << '\n';
#pragma once

#include <filesystem>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "rayset/plan.h"

namespace rayset::api {

struct VerifyRequest {
  std::filesystem::path plan;  ///< folder that Plan::write() or `rayset plan` wrote
  /// From clearly different directions; a single one only covers its own plane; or.
  std::vector<std::filesystem::path> films = {};
  std::filesystem::path ct = {};  ///< a folder
  /// Views of the films, in the same order: "dorsoplantar-15", "oblique-30", "lateral", or tube angles
  /// ("orbital=30,tilt=10"). Empty: from their headers.
  std::vector<std::string> views = {};
  std::string series = {};             ///< of the CT
  bool temporary = false;              ///< whether the temporary wires are still in
  std::filesystem::path earlier = {};  ///< folder of an earlier check to compare with; may be empty
  std::filesystem::path out = {};      ///< folder for verification.json, report and pictures; empty: none are written
  bool replace = false;                ///< `out` may hold an earlier check
};

enum class Outcome { kAnatomical, kAcceptable, kNotReduced, kUnknown };
/// "anatomical", "acceptable", "not reduced", "not known".
[[nodiscard]] RAYSET_API std::string_view wordOf(Outcome outcome);

/// A metatarsal as found, relative to the tarsus. `..._95_...` are half-widths of 95 % intervals.
struct RayOutcome {
  int ray = 0;
  Outcome verdict = Outcome::kUnknown;
  bool sure = false;
  std::string doubt;  ///< why the verdict is uncertain; empty if it is certain
  Matrix planned_to_found{};
  Displacement off;                   ///< from where it was planned
  double shift_mm = 0, turn_deg = 0;  ///< of the base in space; of the whole rotation
  double shift_95_mm = 0, turn_95_deg = 0;
  Point weakest{};                                    ///< unit: the least certain direction of the shift
  std::string weakest_words;                          ///< "from dorsal to plantar"
  std::optional<double> in_plane_mm, in_plane_95_mm;  ///< with a single film: the part of the shift in its plane
};

/// A device as found. If it was not seen, only `id` and `warnings` are set.
struct DeviceOutcome {
  std::string id;
  bool seen = false;
  Point entry{}, tip{};
  double entry_off_mm = 0, tip_off_mm = 0, axis_off_deg = 0;  ///< from the plan
  double entry_95_mm = 0, tip_95_mm = 0, axis_95_deg = 0;
  double longer_mm = 0;  ///< than planned
  double gap_mm = 0;     ///< length without metal; 0: in one piece
  DeviceChecks checks;   ///< as found
  std::vector<std::string> warnings;
};

/// Change since an earlier check; `moved`: by more than the intervals allow.
struct RayChange {
  int ray = 0;
  double shift_mm = 0, turn_deg = 0, shift_95_mm = 0, turn_95_deg = 0;
  bool moved = false;
  std::string words;
};
struct DeviceChange {
  std::string id;
  bool seen = false;         ///< by both checks
  double backed_out_mm = 0;  ///< towards its head; negative: deeper
  bool broke = false, moved = false;
  std::string words;
};
struct Change {
  std::string since;  ///< date of the earlier check, 2026-01-31; may be empty
  std::vector<RayChange> rays;
  std::vector<DeviceChange> devices;
};

struct Verification {
  Outcome verdict = Outcome::kUnknown;  ///< of the worst ray
  bool sure = false;
  std::string date;              ///< of the images, YYYYMMDD; may be empty
  std::vector<RayOutcome> rays;  ///< those that could be judged
  std::vector<DeviceOutcome> devices;
  std::vector<Measure> measures;  ///< of the foot as found
  std::vector<std::string> cautions;
  std::optional<Change> since;
  bool partial = false;  ///< a ray or device could not be found
};

/// Fault::kRequest if neither or both of films and CT are given, if the plan, the limits or the earlier check cannot be
/// used, or for images of another patient or foot; kImages, naming the file, for images that cannot be used;
/// kCancelled.
[[nodiscard]] RAYSET_API Result<Verification> verify(const VerifyRequest& request, const Resources& resources,
                                                     const Progress& progress = {});

}  // namespace rayset::api
