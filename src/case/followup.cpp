#include "case/followup.h"

#include <fmt/format.h>

#include <algorithm>
#include <chrono>
#include <cstdio>
#include <fstream>
#include <nlohmann/json.hpp>

#include "base/dates.h"
#include "base/utf8.h"

namespace rayset {
namespace {

using Json = nlohmann::json;
using std::chrono::sys_days;

bool applies(const FollowupRules::Rule& rule, const std::vector<Device>& devices) {
  return !rule.where || std::ranges::any_of(devices, [&](const Device& d) {
    return d.stage == DeviceStage::kDefinitive && d.kind == *rule.where;
  });
}

/// RFC 5545 3.3.11: backslash, semicolon, comma and line feed are escaped.
std::string escaped(const std::string& text) {
  std::string out;
  for (const char c : text) {
    if (c == '\\' || c == ';' || c == ',') out += '\\';
    if (c == '\n')
      out += "\\n";
    else if (c != '\r')
      out += c;
  }
  return out;
}

/// RFC 5545 3.1: at most 75 octets per line, continued on lines that begin with a space; no character is split.
void addLine(std::string& out, const std::string& line) {
  std::size_t used = 0;
  for (const char32_t c : codePoints(line)) {
    const std::string character = utf8From({&c, 1});
    if (used + character.size() > 75) {
      out += "\r\n ";
      used = 1;
    }
    out += character;
    used += character.size();
  }
  out += "\r\n";
}

}  // namespace

Result<FollowupRules> readFollowup(const std::filesystem::path& file) {
  std::ifstream in(file);
  const Json j = Json::parse(in, nullptr, false);
  const auto wrong = [&file](const Message& what) {
    return fail(Fault::kInternal, Message("case.follow_up_data_cannot_used", {{"what", what}}), file.string(),
                Message("case.install_rayset_anew"));
  };
  if (!j.is_object()) return wrong("case.no_json_object");
  FollowupRules out;
  try {
    const std::string defers = j.at("defers").get<std::string>();
    for (const Json& entry : j.at("appointments")) {
      const std::string word = entry.at("when").get<std::string>();
      const auto* kind =
          std::ranges::find(kDeviceKinds, word, [](DeviceKind k) { return std::string(traits(k).words); });
      if (kind == kDeviceKinds.end() && word != "always")
        return wrong({"case.unknown_kind_of_device", {{"when", word}}});
      Appointment a;
      a.id = entry.at("id").get<std::string>();
      a.week_from = entry.at("week_from").get<int>();
      a.week_to = entry.at("week_to").get<int>();
      if (a.week_from < 0 || a.week_to < a.week_from) return wrong(Message("case.weeks", {{"id", a.id}}));
      a.title = entry.at("title").get<std::string>();
      a.text = fmt::format("{} {}", entry.at("text").get<std::string>(), defers);
      a.source = entry.at("source").get<std::string>();
      a.certainty = entry.at("certainty").get<std::string>();
      FollowupRules::Rule& rule = out.rules.emplace_back();
      if (kind != kDeviceKinds.end()) rule.where = *kind;
      rule.appointment = std::move(a);
    }
  } catch (const Json::exception& e) {
    return wrong(Message::quoted(e.what()));
  }
  return out;
}

std::vector<Appointment> followupPlan(const std::vector<Device>& devices, const FollowupRules& rules) {
  std::vector<Appointment> plan;
  for (const FollowupRules::Rule& rule : rules.rules)
    if (applies(rule, devices)) plan.push_back(rule.appointment);
  std::stable_sort(plan.begin(), plan.end(),
                   [](const Appointment& a, const Appointment& b) { return a.week_from < b.week_from; });
  return plan;
}

std::optional<std::string> weeksAfter(const std::string& date, int weeks) {
  const auto day = dayFromIso(date);
  if (!day) return std::nullopt;
  return isoDay(*day + std::chrono::days(7 * weeks), "-");
}

Result<std::string> followupCalendar(const std::vector<Appointment>& plan, const std::string& surgery_date,
                                     const std::string& name, const std::string& id, const std::string& stamp) {
  const auto day = dayFromIso(surgery_date);
  if (!day)
    return fail(Fault::kRequest, "case.no_date_surgery_count", surgery_date,
                Message("case.give_date_surgery_under_follow_up"));
  std::string out;
  for (const char* line :
       {"BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//Rayset//Follow-up//EN", "CALSCALE:GREGORIAN", "METHOD:PUBLISH"})
    addLine(out, line);
  for (const Appointment& a : plan) {
    addLine(out, "BEGIN:VEVENT");
    addLine(out, fmt::format("UID:{}-{}@rayset.invalid", id, a.id));
    addLine(out, "DTSTAMP:" + stamp);
    addLine(out, "DTSTART;VALUE=DATE:" + isoDay(*day + std::chrono::days(7 * a.week_from), ""));
    // The end is not part of the event (3.6.1); week_to is its last day.
    addLine(out, "DTEND;VALUE=DATE:" + isoDay(*day + std::chrono::days(7 * a.week_to + 1), ""));
    addLine(out, "SUMMARY:" + escaped(name.empty() ? a.title : fmt::format("{}: {}", name, a.title)));
    addLine(out, "DESCRIPTION:" + escaped(fmt::format("{}\nSource: {}", a.text, a.source)));
    addLine(out, "TRANSP:TRANSPARENT");
    addLine(out, "END:VEVENT");
  }
  addLine(out, "END:VCALENDAR");
  return out;
}

}  // namespace rayset
