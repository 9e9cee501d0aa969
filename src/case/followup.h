// The follow-up plan: appointments from the date of surgery and the planned metal. They are data (data/followup.json),
// each with its source; the local protocol takes precedence.
#pragma once

#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "base/result.h"
#include "fixation/construct.h"

namespace rayset {

struct Appointment {
  std::string id;
  int week_from = 0, week_to = 0;  ///< after the operation, whole weeks
  std::string title, text;         ///< the text ends by saying that the local protocol takes precedence
  std::string source, certainty;
};

/// Every possible appointment, and the metal that calls for it.
struct FollowupRules {
  struct Rule {
    /// Kept where a device of this kind stays; none: always.
    std::optional<DeviceKind> where;
    Appointment appointment;
  };
  std::vector<Rule> rules;
};
/// kInternal naming the file if its data are invalid.
[[nodiscard]] Result<FollowupRules> readFollowup(const std::filesystem::path& file);

/// The appointments that this metal requires, in chronological order.
[[nodiscard]] std::vector<Appointment> followupPlan(const std::vector<Device>& devices, const FollowupRules& rules);

/// The date `weeks` after `date` ("2026-01-31"); nullopt if that is invalid.
[[nodiscard]] std::optional<std::string> weeksAfter(const std::string& date, int weeks);

/// A calendar (RFC 5545) with one all-day event per appointment, from the first day of its span to the last. The
/// events' UIDs are derived from `id` and never change, so importing the calendar again replaces them; `stamp` is UTC,
/// "20260131T120000Z". kRequest if the date is invalid.
[[nodiscard]] Result<std::string> followupCalendar(const std::vector<Appointment>& plan,
                                                   const std::string& surgery_date, const std::string& name,
                                                   const std::string& id, const std::string& stamp);

}  // namespace rayset
