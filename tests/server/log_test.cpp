#include "server/log.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <regex>

#include "client.h"
#include "desk.h"
#include "english.h"
#include "text_file.h"

namespace rayset::server {
namespace {
namespace fs = std::filesystem;
using rayset::testing::ask;
using rayset::testing::Client;
using rayset::testing::Ear;
using rayset::testing::Folder;
using ::testing::HasSubstr;
using ::testing::Not;

std::vector<Json> linesOf(const fs::path& file) {
  std::vector<Json> lines;
  std::ifstream in(file);
  for (std::string line; std::getline(in, line);) {
    lines.push_back(Json::parse(line, nullptr, false));
    EXPECT_TRUE(lines.back().is_object()) << line;
  }
  return lines;
}

TEST(Log, TellsWhatWasDoneAndNothingOfThePatient) {
  const Folder folder;
  const fs::path file = folder.path / "log.jsonl";
  std::string id;
  {
    auto log = Log::open(file);
    ASSERT_TRUE(log) << english(log.error());
    const Desk1 d({}, *log);
    id = d.newCase("Zebedee Quixote");
    const std::string base = "/api/cases/" + id;
    Ear ear(d.port(), "/api/events?case=" + id);
    ASSERT_TRUE(ear.hears("event: case"));
    const auto edit = [&](const Json& body) { return d.post(base + "/edits", body).status; };
    EXPECT_EQ(edit({{"kind", "case.name"}, {"text", "Quixote, Zebedee"}}), 200);
    EXPECT_EQ(edit({{"kind", "case.notes"}, {"text", "Zebedee fell"}, {"token", "zebedee"}}), 200);
    EXPECT_EQ(edit({{"kind", "zebedee"}, {"zebedee", 1}}), 400);
    EXPECT_EQ(ask(d.port(), "PUT", base + "/upload/images/Zebedee%20Quixote.txt", "of Zebedee").status, 204);
    EXPECT_EQ(ask(d.port(), "PUT", base + "/upload/Zebedee/a", "of Zebedee").status, 404);
    const std::string job = d.post(base + "/import", {{"part", "images"}, {"series", "Zebedee"}}).json()["job"];
    ASSERT_TRUE(ear.hears("\"job\":\"" + job + "\",\"case\":\"" + id + "\",\"kind\":\"import\",\"stage\":\"waiting\""));
    for (int n = 0; n < 3000 && !d.get(base).json()["job"].is_null(); ++n)
      std::this_thread::sleep_for(std::chrono::milliseconds(10));
    EXPECT_EQ(d.get("/api/cases?search=Zebedee").json().size(), 1U);
    EXPECT_EQ(d.get("/api/cases/Zebedee").status, 404);
    EXPECT_EQ(d.get("/api/events?case=Zebedee").status, 404);
    EXPECT_EQ(d.get("/Zebedee?Zebedee=Quixote").status, 404);
    EXPECT_EQ(d.get(base + "/files/Zebedee/Quixote.pdf").status, 404);
    EXPECT_EQ(d.get(base + "/film?view=Zebedee&pixels=Quixote").status, 400);
    EXPECT_EQ(d.get("/api/about", {{"Host", "zebedee.example"}}).status, 400);
    EXPECT_EQ(ask(d.port(), "ZEBEDEE", "/api/about").status, 405);
    EXPECT_EQ(d.get(base + "/case.json").status, 200);
    Client c(d.port());
    c.raw("Zebedee\r\n\r\n");
    EXPECT_EQ(c.read().status, 400);
  }

  std::string text = test::readAll(file);
  std::transform(text.begin(), text.end(), text.begin(), [](unsigned char c) { return std::tolower(c); });
  EXPECT_THAT(text, Not(HasSubstr("zebedee")));
  EXPECT_THAT(text, Not(HasSubstr("quixote")));

  const std::regex time(R"(\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z)");
  const std::vector<Json> lines = linesOf(file);
  const auto count = [&lines](const Json& wanted) {
    return std::count_if(lines.begin(), lines.end(), [&](const Json& line) {
      return std::all_of(wanted.items().begin(), wanted.items().end(),
                         [&](const auto& field) { return line.value(field.key(), Json()) == field.value(); });
    });
  };
  for (const Json& line : lines) {
    EXPECT_TRUE(std::regex_match(line.value("time", ""), time)) << line;
    EXPECT_THAT(line.value("level", ""), ::testing::AnyOf("info", "warning", "error")) << line;
    const bool timed = line["event"] == "request" || line["event"] == "cut off";
    EXPECT_EQ(timed, line.contains("ms") && line["ms"].is_number_integer() && line["ms"] >= 0) << line;
  }
  EXPECT_EQ(lines.front()["event"], "started");
  EXPECT_EQ(lines.back()["event"], "ended");
  EXPECT_EQ(count({{"method", "POST"}, {"path", "/api/cases"}, {"status", 201}, {"case", id}}), 1);
  const Json edits{{"event", "request"}, {"method", "POST"}, {"path", "/api/cases/CASE/edits"}, {"case", id}};
  EXPECT_EQ(count(edits), 3);
  Json refused = edits;
  refused["status"] = 400;
  refused["level"] = "warning";
  EXPECT_EQ(count(refused), 1);
  EXPECT_EQ(count({{"method", "PUT"}, {"path", "/api/cases/CASE/upload/PART/NAME"}, {"status", 204}}), 1);
  EXPECT_EQ(count({{"event", "job"}, {"kind", "import"}, {"state", "added"}, {"case", id}}), 1);
  EXPECT_EQ(count({{"event", "job"}, {"kind", "import"}, {"state", "failed"}, {"level", "warning"}}), 1);
  EXPECT_EQ(count({{"method", "other"}, {"status", 405}}), 1);
  EXPECT_EQ(count({{"path", "/api/cases/CASE"}, {"status", 404}}), 1);
}

TEST(Log, IsAddedTo) {
  const Folder folder;
  for (int n = 0; n < 2; ++n) {
    const auto log = Log::open(folder.path / "log");
    ASSERT_TRUE(log);
    (*log)->started("1", n);
  }
  EXPECT_EQ(linesOf(folder.path / "log").size(), 2U);
}

TEST(Log, SaysWhereItCannotBeWritten) {
  const auto log = Log::open("/proc/nowhere/log");
  ASSERT_FALSE(log);
  EXPECT_EQ(log.error().fault, Fault::kRequest);
  EXPECT_EQ(log.error().where, "/proc/nowhere/log");
}

}  // namespace
}  // namespace rayset::server
