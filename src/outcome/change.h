// What has changed from one postoperative check to a later one: rays that drift, screws that back out or break. Derived
// from the two verification.json files, so any two checks can be compared, whatever images they used and whether or not
// the plan changed in between: both are relative to the tarsus, which is assumed not to move.
#pragma once

#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "anatomy/ray.h"
#include "base/message.h"
#include "base/result.h"

namespace rayset {

/// Movement of a ray's metatarsal base between the two checks, foot frame. Intervals combine those of the two checks as
/// independent (root of the sum of squares); errors common to both checks are included although they cancel.
struct RayChange {
  Ray ray;
  double lateral_mm = 0, dorsal_mm = 0, distal_mm = 0;
  double shift_mm = 0, turn_rad = 0;        ///< in space; angle of the whole rotation
  double shift_95_mm = 0, turn_95_rad = 0;  ///< half widths of 95 % intervals
  bool moved = false;                       ///< the shift or the turn is outside its interval
  Message words;                            ///< "moved 2.1 mm lateral...", or that there is no change
};

/// Movement of a device relative to the bone it was entered through.
struct DeviceChange {
  std::string id;
  bool seen = false;         ///< by both checks; if not, only `words` is set
  double backed_out_mm = 0;  ///< along its axis towards its head; negative: deeper
  double aside_mm = 0;       ///< shift of its entry, across the axis
  double axis_rad = 0;
  bool broke = false;  ///< looks broken now and did not before
  double shift_95_mm = 0, axis_95_rad = 0;
  bool moved = false;
  Message words;
};

/// Schema of verification.json.
inline constexpr const char* kVerificationSchema = "rayset.verification/1";

struct Change {
  std::string since;  ///< date of the earlier check, 2026-01-31; may be empty
  std::vector<RayChange> rays;
  std::vector<DeviceChange> devices;
};

/// Whether later checks of this patient's foot can be compared with this one. kRequest, naming `file`, if it is not a
/// check, cannot be read, is of another patient or foot, or was written before checks could be compared.
[[nodiscard]] Status canBeCompared(const nlohmann::json& earlier, const std::string& patient_id,
                                   const std::string& side, const std::string& file);

/// `earlier` and `later` as checkCodec() (outcome/verification_codec.h) writes them. Rays and devices that only one of
/// them lists are omitted; listed devices that only one check saw are reported. Errors as canBeCompared().
[[nodiscard]] Result<Change> changeSince(const nlohmann::json& earlier, const nlohmann::json& later,
                                         const std::string& file);

}  // namespace rayset
