// The kinds of edits as a table: what is refused without a plan, what lapses, the words, and the docs made from it.
#include "workspace/edit_registry.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <fstream>

#include "english.h"
#include "text_file.h"

namespace rayset {
namespace {

namespace fs = std::filesystem;
using Json = nlohmann::ordered_json;
using testing::HasSubstr;

std::string refusal(const std::string& kind, const Json& payload, const EditState& state = {}) {
  const Status s = checkEdit({state, nullptr, {"films/0001.dcm"}, {}}, kind, payload);
  if (s) return "taken";
  EXPECT_EQ(s.error().fault, Fault::kRequest);
  EXPECT_FALSE(english(s.error().remedy).empty()) << english(s.error().what);
  return english(s.error());
}

TEST(EditRegistry, NotesHaveOneLimitBeforeAndAfterPlanning) {
  // 20,000 characters, each of two bytes: counted as characters.
  std::string most;
  for (int n = 0; n < 20000; ++n) most += "\xC3\xA4";
  EXPECT_EQ(refusal("case.notes", {{"text", most}}), "taken");
  EXPECT_THAT(refusal("case.notes", {{"text", most + "x"}}), HasSubstr("20001 characters"));
}

TEST(EditRegistry, WithoutAPlanOnlyWhatNeedsNoneIsTaken) {
  EXPECT_EQ(refusal("case.name", {{"text", "Foot"}}), "taken");
  EXPECT_EQ(refusal("case.hide", {{"hidden", true}}), "taken");
  EXPECT_EQ(refusal("surgery.date", {{"date", nullptr}}), "taken");
  EXPECT_EQ(refusal("film.remove", {{"id", "films/0001.dcm"}}), "taken");
  EXPECT_EQ(refusal("bones.edit", {{"edits", {{"remove", {"M4"}}}}}), "taken");
  for (const EditKind& k : editKinds())
    if (k.needs_plan) {
      EXPECT_THAT(refusal(k.name, Json::object()), HasSubstr("not planned yet")) << k.name;
    }
  EXPECT_THAT(refusal("case.name", {{"text", "   "}}), HasSubstr("blank"));
  EXPECT_THAT(refusal("surgery.date", {{"date", "1899-12-31"}}), HasSubstr("not a date"));
  EXPECT_THAT(refusal("film.remove", {{"id", "films/0002.dcm"}}), HasSubstr("no such film"));
  EXPECT_THAT(refusal("bones.edit", {{"edits", {{"remove", {"M9"}}}}}), HasSubstr("M9"));
  EXPECT_THAT(refusal("plan", Json::object()), HasSubstr("unknown kind of edit"));
  EXPECT_THAT(refusal("case.notes", {{"text", std::string(1 << 20, 'x')}}), HasSubstr("longer than a megabyte"));
}

TEST(EditRegistry, AWrongFieldIsNamedWithWhatToWrite) {
  EXPECT_THAT(refusal("case.name", Json::object()), HasSubstr("\"text\" is missing [case.name]. Write 1 to 200 char"));
  EXPECT_THAT(refusal("case.name", {{"name", "Foot"}}),
              HasSubstr("unknown field \"name\" [case.name]. Known are {text}"));
  EXPECT_THAT(refusal("case.name", Json::array()), HasSubstr("They are {text}"));
  EXPECT_THAT(refusal("case.hide", {{"hidden", 1}}), HasSubstr("Write true or false"));
  EXPECT_THAT(refusal("surgery.date", {{"date", 20260301}}), HasSubstr("Write YYYY-MM-DD"));
  EXPECT_THAT(refusal("bones.edit", {{"edits", Json::object()}}), HasSubstr("not an object with entries"));
}

TEST(EditRegistry, AMeasureIsStoredUnderItsOwnNames) {
  const EditKind* add = findEditKind("measure.add");
  ASSERT_NE(add, nullptr);
  Json sent{
      {"id", "a"}, {"view", ""}, {"measure", "distance"}, {"points", {{0, 0, 0}, {3, 4, 0}}}, {"state", "reduced"}};
  const auto stored = add->complete(sent, nullptr);
  ASSERT_TRUE(stored) << english(stored.error());
  EXPECT_EQ((*stored)["kind"], "distance");
  EXPECT_FALSE(stored->contains("measure"));
  const auto again = add->complete(*stored, nullptr);
  ASSERT_TRUE(again) << english(again.error());
  EXPECT_EQ(again->dump(), stored->dump()) << "taken by those names as well";
  sent["kind"] = "distance";
  EXPECT_THAT(english(add->complete(sent, nullptr).error()), HasSubstr("unknown field \"measure\""));
  sent.erase("kind");
  sent["measure"] = "angle";
  EXPECT_THAT(english(add->complete(sent, nullptr).error()), HasSubstr("3 points of an angle"));
}

TEST(EditRegistry, EditsOfAScanLapseWithIt) {
  const std::vector<HistoryEntry> history{{1, "case.name", {{"text", "first"}}, true},
                                          {2, "import", {{"part", "images"}}, true},
                                          {3, "bones.edit", {{"edits", {{"remove", {"M4"}}}}}, true},
                                          {4, "import", {{"part", "films"}}, true},
                                          {5, "case.name", {{"text", "undone"}}, false},
                                          {6, "undo", Json::object(), true},
                                          {7, "surgery.date", {{"date", "2026-03-01"}}, true},
                                          {8, "import", {{"part", "images"}}, true},
                                          {9, "bones.edit", {{"edits", {{"remove", {"M5"}}}}}, true},
                                          {10, "theatre.dance", {{"step", 1}}, true}};
  const std::vector<CaseEdit> edits = editsInForce(history);
  std::vector<std::int64_t> rows;
  for (const CaseEdit& e : edits) rows.push_back(e.seq);
  EXPECT_THAT(rows, testing::ElementsAre(1, 7, 9, 10));
  const EditState state = replayEdits(edits);
  EXPECT_EQ(state.name, "first");
  EXPECT_EQ(state.surgery_date, "2026-03-01");
  EXPECT_EQ(state.bone_edits, Json({{"remove", {"M5"}}}));
  ASSERT_EQ(state.cautions.size(), 1U);
  EXPECT_THAT(english(state.cautions[0]), HasSubstr("edit 10 (theatre.dance) no longer fits"));
}

TEST(EditRegistry, BoneEditsWaitWhateverTheirOrder) {
  const Json used{{"schema", "rayset.edits/1"}, {"remove", {"M4"}}, {"seeds", Json::array()}};
  EXPECT_FALSE(boneEditsWait(used, {{"remove", {"M4"}}}));
  EXPECT_TRUE(boneEditsWait(used, Json::object()));
  EXPECT_FALSE(boneEditsWait(nullptr, Json::object()));
}

TEST(EditRegistry, WordsOfTheHistory) {
  EXPECT_EQ(editWords("case.name", {{"text", "A"}}, {}), "named \"A\"");
  EXPECT_EQ(editWords("device.remove", {{"id", "S2"}}, {}), "S2 left out");
  EXPECT_EQ(editWords("theatre.step", {{"step", "k"}, {"done", true}}, {{"k", "Key the arch"}}),
            "\"Key the arch\" done");
  EXPECT_EQ(editWords("theatre.step", {{"step", "k"}, {"done", false}}, {}), "step k not done");
  EXPECT_EQ(editWords("measure.add",
                      {{"id", "a"},
                       {"view", "dorsal"},
                       {"kind", "angle"},
                       {"points", {{1, 0, 0}, {0, 0, 0}, {0, 2, 0}}},
                       {"state", "injured"}},
                      {}),
            "angle drawn");
  EXPECT_EQ(editWords("surgery.date", {{"date", nullptr}}, {}), "date of the operation removed");
  // Damaged or of another version: its name.
  EXPECT_EQ(editWords("device.remove", {{"which", 3}}, {}), "device.remove");
  EXPECT_EQ(editWords("theatre.dance", {}, {}), "theatre.dance");
}

TEST(EditRegistry, AnExportedHistoryIsReadOrRefusedByName) {
  const fs::path file = fs::temp_directory_path() / "rayset-history-test.json";
  const auto with = [&](const std::string& text) {
    std::ofstream(file) << text;
    const auto rows = readHistory(file);
    return rows ? std::to_string(rows->size()) + " rows" : english(rows.error());
  };
  EXPECT_EQ(with(R"({"schema":"rayset.case/1","history":[{"seq":1,"kind":"case.hide","payload":{},"active":true}]})"),
            "1 rows");
  EXPECT_THAT(with("{"), HasSubstr("no rayset.case/1"));
  EXPECT_THAT(with(R"({"schema":"rayset.case/1","history":[{"seq":"x"}]})"), HasSubstr("history/0"));
  fs::remove(file);
  EXPECT_THAT(with("") + "", HasSubstr("no rayset.case/1"));
  fs::remove(file);
  EXPECT_THAT(english(readHistory(file).error()), HasSubstr(file.string()));
}

/// RAYSET_WRITE_DOCS=1 writes the table anew.
TEST(EditRegistry, TheDocsAreCurrent) {
  const fs::path file = fs::path(RAYSET_DATA_DIR) / "../docs/edits.md";
  const std::string begin = "<!-- edit kinds: made from the program, see CONTRIBUTING -->\n", end = "<!-- end -->\n";
  std::string text = test::readAll(file);
  const auto from = text.find(begin), to = text.find(end);
  ASSERT_NE(from, std::string::npos);
  ASSERT_NE(to, std::string::npos);
  text.replace(from + begin.size(), to - from - begin.size(), editKindsMarkdown(english()));
  test::expectCurrent(file, text);
}

}  // namespace
}  // namespace rayset
