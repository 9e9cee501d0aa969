// What has changed from one check after the operation to a later one: rays that drift, screws that back out or break.
// Told from what the two checks wrote (verification.json), so that any two can be compared, whatever images they were
// made from and whether or not the plan was changed in between: both stand against the tarsus, which is taken to stand
// still.
#pragma once

#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "base/result.h"

namespace rayset {

/// Of the base of a ray's metatarsal between the two checks, foot frame. Intervals are the two checks' own, joined as
/// independent (root of the sum of squares); what both checks err by in common is in them although it cancels.
struct RayChange {
  int ray = 0;
  double lateral_mm = 0, dorsal_mm = 0, distal_mm = 0;
  double shift_mm = 0, turn_rad = 0;        ///< in space; angle of the whole turn
  double shift_95_mm = 0, turn_95_rad = 0;  ///< half widths of 95 % intervals
  bool moved = false;                       ///< the shift or the turn is outside its interval
  std::string words;                        ///< "moved 2.1 mm lateral...", "no change told"
};

/// Of a device against the bone it was entered through.
struct DeviceChange {
  std::string id;
  bool seen = false;         ///< by both checks; else `words` alone tell
  double backed_out_mm = 0;  ///< along its axis towards its head; negative: deeper
  double aside_mm = 0;       ///< of its entry, across the axis
  double axis_rad = 0;
  bool broke = false;  ///< looks broken now, and did not
  double shift_95_mm = 0, axis_95_rad = 0;
  bool moved = false;
  std::string words;
};

/// Of verification.json.
inline constexpr const char* kVerificationSchema = "rayset.verification/1";

struct Change {
  std::string since;  ///< date of the earlier check, 2026-01-31; may be empty
  std::vector<RayChange> rays;
  std::vector<DeviceChange> devices;
};

/// Whether later checks of this patient's foot can be compared with this one. kRequest naming `file` where it is none,
/// is of another patient or foot, cannot be read or was written before checks could be compared.
[[nodiscard]] Status canBeCompared(const nlohmann::json& earlier, const std::string& patient_id,
                                   const std::string& side, const std::string& file);

/// `earlier` and `later` as verificationJson() writes them; rays and devices that only one of them tells of are left
/// out, devices that were seen at one check only are told. Errors as canBeCompared().
[[nodiscard]] Result<Change> changeSince(const nlohmann::json& earlier, const nlohmann::json& later,
                                         const std::string& file);
/// Its part of verification.json.
[[nodiscard]] nlohmann::ordered_json changeJson(const Change& change);

}  // namespace rayset
