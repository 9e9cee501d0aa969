// DICOM dates to ISO dates, which everything else here uses.
#pragma once

#include <chrono>
#include <optional>
#include <string>

namespace rayset {

/// "20260131" (DICOM PS3.5, DA) as "2026-01-31"; anything else unchanged.
[[nodiscard]] inline std::string isoDate(const std::string& dicom) {
  if (dicom.size() != 8 || dicom.find_first_not_of("0123456789") != std::string::npos) return dicom;
  return dicom.substr(0, 4) + "-" + dicom.substr(4, 2) + "-" + dicom.substr(6, 2);
}

/// A day that exists, from 1900 on, written exactly "2026-01-31". nullopt: anything else.
[[nodiscard]] std::optional<std::chrono::sys_days> dayFromIso(const std::string& text);
/// "2026-01-31"; with another `dash`, or none.
[[nodiscard]] std::string isoDay(std::chrono::sys_days day, const char* dash = "-");
/// Now by the machine's clock and time zone: "2026-01-31 17:05".
[[nodiscard]] std::string localTime();
/// The day of it: "2026-01-31".
[[nodiscard]] std::string localDay();

}  // namespace rayset
