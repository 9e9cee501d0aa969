#include "case/followup.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <fstream>
#include <nlohmann/json.hpp>
#include <sstream>

#include "data_files.h"
#include "english.h"

namespace rayset {
namespace {
using ::testing::Contains;
using ::testing::HasSubstr;
using ::testing::Not;

Device device(DeviceKind kind, DeviceStage stage) {
  Device d;
  d.kind = kind;
  d.stage = stage;
  return d;
}

FollowupRules shipped() {
  auto rules = readFollowup(test::dataFile("followup.json"));
  EXPECT_TRUE(rules) << english(rules.error());
  return rules.value_or(FollowupRules{});
}

std::vector<std::string> ids(const std::vector<Device>& devices) {
  std::vector<std::string> out;
  for (const Appointment& a : followupPlan(devices, shipped())) out.push_back(a.id);
  return out;
}

TEST(Followup, FollowsTheMetalThatStays) {
  EXPECT_THAT(ids({}), Not(Contains("screws-out")));
  EXPECT_THAT(ids({}), Not(Contains("wires-out")));
  EXPECT_THAT(ids({device(DeviceKind::kScrew, DeviceStage::kDefinitive)}), Contains("screws-out"));
  EXPECT_THAT(ids({device(DeviceKind::kWire, DeviceStage::kDefinitive)}), Contains("wires-out"));
  // Temporary wires come out in theatre.
  EXPECT_THAT(
      ids({device(DeviceKind::kScrew, DeviceStage::kDefinitive), device(DeviceKind::kWire, DeviceStage::kTemporary)}),
      Not(Contains("wires-out")));
}

TEST(Followup, EveryAppointmentNamesItsSourceAndDefers) {
  const auto plan = followupPlan(
      {device(DeviceKind::kScrew, DeviceStage::kDefinitive), device(DeviceKind::kWire, DeviceStage::kDefinitive)},
      shipped());
  int before = 0;
  for (const Appointment& a : plan) {
    EXPECT_FALSE(a.source.empty()) << a.id;
    EXPECT_FALSE(a.certainty.empty()) << a.id;
    EXPECT_THAT(a.text, HasSubstr("Your own protocol goes first."));
    EXPECT_GE(a.week_from, before);
    before = a.week_from;
  }
  EXPECT_THAT(ids({}), Contains("stitches"));
  EXPECT_THAT(ids({}), Contains("boot"));
}

TEST(Followup, RefusesWrongData) {
  const std::filesystem::path file = std::filesystem::temp_directory_path() / "rayset-followup-test.json";
  for (const char* text :
       {"", "[]", R"({"appointments": []})", R"({"defers": "", "appointments": [{"id": "x", "when": "never"}]})",
        R"({"defers": "", "appointments": [{"id": "x", "when": "always", "week_from": 3,
                               "week_to": 2, "title": "", "text": "", "source": "", "certainty": ""}]})"}) {
    std::ofstream(file) << text;
    const auto rules = readFollowup(file);
    ASSERT_FALSE(rules) << text;
    EXPECT_EQ(rules.error().fault, Fault::kInternal);
    EXPECT_EQ(rules.error().where, file.string());
  }
  std::filesystem::remove(file);
  EXPECT_FALSE(readFollowup(file));
}

TEST(Followup, CountsWeeksOnTheCalendar) {
  EXPECT_EQ(weeksAfter("2026-01-05", 2), "2026-01-19");
  EXPECT_EQ(weeksAfter("2024-02-22", 1), "2024-02-29");
  EXPECT_EQ(weeksAfter("2023-02-22", 1), "2023-03-01");
  EXPECT_EQ(weeksAfter("2026-12-28", 52), "2027-12-27");
  for (const char* bad : {"", "2026-1-5", "2026-02-30", "2026-13-01", "2026-00-10", "05.01.2026", "2026-01-0a"})
    EXPECT_EQ(weeksAfter(bad, 1), std::nullopt) << bad;
}

TEST(FollowupCalendar, IsWellFormed) {
  std::vector<Appointment> plan(2);
  plan[0] = {"a", 2, 3, "Stitches; films, and more", "Back\\slash,\nsecond line", "s", "c"};
  plan[1] = {"b", 6, 6, std::string(80, 'x'), "", "", ""};
  for (int n = 0; n < 60; ++n) plan[1].text += "\xC3\xA4\xE2\x82\xAC";  // two and three octets
  const auto text = followupCalendar(plan, "2026-01-05", "Case 1", "id7", "20260101T080000Z");
  ASSERT_TRUE(text);
  EXPECT_EQ(text->rfind("BEGIN:VCALENDAR\r\nVERSION:2.0\r\n", 0), 0U);
  EXPECT_THAT(*text, HasSubstr("\r\nEND:VCALENDAR\r\n"));
  EXPECT_THAT(*text, HasSubstr("DTSTART;VALUE=DATE:20260119\r\nDTEND;VALUE=DATE:20260127\r\n"));
  EXPECT_THAT(*text, HasSubstr("DTSTART;VALUE=DATE:20260216\r\nDTEND;VALUE=DATE:20260217\r\n"));
  EXPECT_THAT(*text, HasSubstr("UID:id7-a@rayset.invalid\r\nDTSTAMP:20260101T080000Z\r\n"));
  EXPECT_THAT(*text, HasSubstr("SUMMARY:Case 1: Stitches\\; films\\, and more\r\n"));
  EXPECT_THAT(*text, HasSubstr("DESCRIPTION:Back\\\\slash\\,\\nsecond line\\nSource: s\r\n"));
  // Every line ends in CRLF, none is longer than 75 octets, and none is broken inside a character.
  std::string unfolded;
  std::istringstream lines(*text);
  for (std::string line; std::getline(lines, line);) {
    ASSERT_FALSE(line.empty());
    ASSERT_EQ(line.back(), '\r');
    line.pop_back();
    EXPECT_LE(line.size(), 75U) << line;
    if (line.front() == ' ') {
      ASSERT_NE(static_cast<unsigned char>(line[1]) & 0xC0U, 0x80U);
      line.erase(0, 1);
    } else {
      unfolded += '\n';
    }
    unfolded += line;
  }
  EXPECT_THAT(unfolded, HasSubstr(plan[1].text));
  EXPECT_THAT(unfolded, HasSubstr(plan[1].title));
  EXPECT_EQ(text->find('\n'), text->find("\r\n") + 1);
}

TEST(FollowupCalendar, NeedsADate) {
  const auto text = followupCalendar({}, "soon", "", "", "");
  ASSERT_FALSE(text);
  EXPECT_EQ(text.error().fault, Fault::kRequest);
}

}  // namespace
}  // namespace rayset
