// What comes after the operation and when: appointments from the date of surgery and the metal that was planned. The
// contents are data (data/followup.json), each with its source; the local protocol goes first.
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
  std::string title, text;         ///< the text ends with the word that the local protocol goes first
  std::string source, certainty;
};

/// Every appointment there may be, and what metal asks for it.
struct FollowupRules {
  enum class When { kAlways, kScrews, kDefinitiveWires };
  struct Rule {
    When when = When::kAlways;
    Appointment appointment;
  };
  std::vector<Rule> rules;
};
/// kInternal naming the file where the data are wrong.
[[nodiscard]] Result<FollowupRules> readFollowup(const std::filesystem::path& file);

/// Those that this metal asks for, in order of time.
[[nodiscard]] std::vector<Appointment> followupPlan(const std::vector<Device>& devices, const FollowupRules& rules);

/// `date` ("2026-01-31") and `weeks` later; nullopt for what is no date of the calendar.
[[nodiscard]] std::optional<std::string> weeksAfter(const std::string& date, int weeks);

/// A calendar (RFC 5545) with one all-day event an appointment, from the first day of its span to the last. `id` makes
/// the events' UIDs, the same each time, so that a calendar replaces them; `stamp` is UTC, "20260131T120000Z".
/// kRequest where the date is none.
[[nodiscard]] Result<std::string> followupCalendar(const std::vector<Appointment>& plan,
                                                   const std::string& surgery_date, const std::string& name,
                                                   const std::string& id, const std::string& stamp);

}  // namespace rayset
