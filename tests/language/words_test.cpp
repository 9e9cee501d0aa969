#include "language/words.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <cstdlib>
#include <fstream>

#include "base/message_codec.h"
#include "english.h"
#include "language/spoken.h"

namespace rayset {
namespace {

using testing::AllOf;
using testing::ElementsAre;
using testing::HasSubstr;
namespace fs = std::filesystem;

/// A folder of words, removed at the end.
class LanguageTest : public testing::Test {
 protected:
  LanguageTest() { fs::create_directories(folder_); }
  ~LanguageTest() override { fs::remove_all(folder_); }

  void write(const std::string& language, const std::string& json) const {
    std::ofstream(folder_ / (language + ".json")) << json;
  }
  [[nodiscard]] const fs::path& folder() const { return folder_; }
  [[nodiscard]] Words words(const std::string& language = "en") const {
    auto read = readWords({folder_}, language);
    EXPECT_TRUE(read) << (read ? "" : english(read.error()));
    return read.value_or(Words());
  }

 private:
  fs::path folder_ = fs::temp_directory_path() / ("rayset-words-" + std::to_string(::getpid()));
};

constexpr const char* kEnglish = R"({
  "locale": "en-GB", "decimal": ".", "unit": {"mm": "{n} mm", "percent": "{n} %"},
  "a": {"plain": "the surgeon's plan", "gap": "a gap of {gap} between {bones}",
        "slices": "{n, plural, one {# slice is} other {# slices are}} missing",
        "side": "{side, select, left {on the left} other {on the right}}", "brace": "Write '{'\"ray\": 2'}'.",
        "because": "{what}: {why}", "clause": "the ray moved", "option": "Use --side.", "option.page": "Choose the side.",
        "quoted": "no key ''{key}''"}
})";

TEST_F(LanguageTest, QuantitiesAreRoundedAndCarryTheirUnit) {
  write("en", kEnglish);
  const Words w = words();
  EXPECT_EQ(w.text(mm(6.06)), "6.1 mm");
  EXPECT_EQ(w.text(mm(-0.36)), "−0.4 mm");  // U+2212
  EXPECT_EQ(w.text(mm(-0.04)), "0.0 mm") << "what rounds to nothing has no sign";
  EXPECT_EQ(w.text(mm(2.5, -1)), "2.5 mm");
  EXPECT_EQ(w.text(mm(0.48828, -3)), "0.488 mm");
  EXPECT_EQ(w.text(percent(3.26, 1)), "3.3 %");
  EXPECT_EQ(w.text(number(12.0, 0)), "12");
  EXPECT_EQ(w.text(Quantity{1.26, Unit::kNone, 1, true}), "+1.3");
  EXPECT_EQ(w.text(Quantity{0.04, Unit::kNone, 1, true}), "0.0");
  EXPECT_EQ(w.text(Quantity{3, Unit::kHu, 0}), "3 hu") << "a unit without words";
}

TEST_F(LanguageTest, PatternsTakeCountsChoicesListsAndMessages) {
  write("en", kEnglish);
  const Words w = words();
  EXPECT_EQ(w("a.plain"), "the surgeon's plan");
  EXPECT_EQ(w("a.slices", {{"n", 1}}), "1 slice is missing");
  EXPECT_EQ(w("a.slices", {{"n", 3}}), "3 slices are missing");
  EXPECT_EQ(w("a.side", {{"side", "left"}}), "on the left");
  EXPECT_EQ(w("a.brace"), "Write {\"ray\": 2}.");
  EXPECT_EQ(w("a.quoted", {{"key", "rays"}}), "no key 'rays'");
  const std::vector<std::string> three{"C1", "C2", "M2"}, two{"C1", "M2"}, one{"C1"};
  EXPECT_EQ(w("a.gap", {{"gap", mm(2.4)}, {"bones", all(three)}}), "a gap of 2.4 mm between C1, C2 and M2");
  EXPECT_EQ(w("a.gap", {{"gap", mm(2.4)}, {"bones", any(three)}}), "a gap of 2.4 mm between C1, C2 or M2");
  EXPECT_EQ(w("a.gap", {{"gap", mm(2.4)}, {"bones", all(two)}}), "a gap of 2.4 mm between C1 and M2");
  EXPECT_EQ(w("a.gap", {{"gap", mm(2.4)}, {"bones", all(one)}}), "a gap of 2.4 mm between C1");
  EXPECT_EQ(w("a.gap", {{"gap", mm(2.4)}, {"bones", each(three)}}), "a gap of 2.4 mm between C1; C2; M2");
  EXPECT_EQ(w("a.because", {{"what", "M2"}, {"why", Message("a.slices", {{"n", 1}})}}), "M2: 1 slice is missing");
}

TEST_F(LanguageTest, SentencesAreMadeOfClauses) {
  write("en", kEnglish);
  const Words w = words();
  EXPECT_EQ(w.sentence("a.clause"), "The ray moved.");
  EXPECT_EQ(w(sentence("a.clause")), "join.sentence clause=the ray moved") << "words without that pattern";
  EXPECT_EQ(english(sentence(Message::quoted("it moved"))), "It moved.");
  EXPECT_EQ(english(capitalised(Message::quoted("it moved"))), "It moved");
  EXPECT_EQ(english(then(Message::quoted("One."), Message::quoted("Two."))), "One. Two.");
  EXPECT_EQ(then({}, "a.clause"), Message("a.clause"));
  EXPECT_TRUE(sentence(Message()).empty());
}

TEST_F(LanguageTest, AMessageWithoutWordsIsShownWithItsArguments) {
  write("en", kEnglish);
  EXPECT_EQ(words()("b.lost", {{"bone", "M2"}, {"gap", mm(2.4)}}), "b.lost bone=M2 gap=2.4 mm");
  EXPECT_EQ(Words()("a.gap", {{"gap", mm(2.4)}}), "a.gap gap=2.4 mm");
  EXPECT_EQ(words()(Message::quoted("Écrit par {quelqu'un}")), "Écrit par {quelqu'un}");
  EXPECT_EQ(words()(Message()), "");
}

TEST_F(LanguageTest, AnotherLanguageFallsBackOnEnglish) {
  write("en", kEnglish);
  write("de", R"({"locale": "de-CH", "decimal": ",", "unit": {"mm": "{n} mm"},
                  "a": {"gap": "ein Spalt von {gap} zwischen {bones}"}})");
  const Words w = words("de");
  EXPECT_EQ(w.language(), "de");
  const std::vector<std::string> bones{"C1", "C2", "M2"};
  EXPECT_EQ(w("a.gap", {{"gap", mm(2.4)}, {"bones", all(bones)}}), "ein Spalt von 2,4 mm zwischen C1, C2 und M2");
  EXPECT_EQ(w("a.slices", {{"n", 3}}), "3 slices are missing");
  EXPECT_THAT(languagesIn({folder()}), ElementsAre("en", "de"));
  ::setenv("LC_ALL", "de_CH.UTF-8", 1);
  EXPECT_EQ(languageOfUser({folder()}), "de");
  ::setenv("LC_ALL", "fr_FR.UTF-8", 1);
  EXPECT_EQ(languageOfUser({folder()}), "en");
  ::unsetenv("LC_ALL");
}

TEST_F(LanguageTest, APlaceMayHaveWordsOfItsOwn) {
  write("en", kEnglish);
  EXPECT_EQ(words()("a.option"), "Use --side.");
  EXPECT_EQ(words().in("page")("a.option"), "Choose the side.");
  EXPECT_EQ(words().in("page")("a.plain"), "the surgeon's plan");
}

TEST_F(LanguageTest, UnusableWordsAreReportedWithTheirFile) {
  const auto why = [&](const std::string& json, const std::string& language = "en") {
    write("en", json);
    const auto read = readWords({folder()}, language);
    return read ? std::string("read") : english(read.error());
  };
  EXPECT_THAT(why("{"), AllOf(HasSubstr("the words cannot be used"), HasSubstr("en.json")));
  EXPECT_THAT(why(R"({"locale": "en-GB"})"), HasSubstr("decimal"));
  EXPECT_THAT(why(R"({"locale": "en-GB", "decimal": ".", "a": {"b": "a {gap"}})"),
              AllOf(HasSubstr("a.b"), HasSubstr("en.json")));
  EXPECT_THAT(why(kEnglish, "xx"), AllOf(HasSubstr("cannot be read"), HasSubstr("xx.json")));
}

TEST(English, KnowsEveryCodeAsAPattern) {
  EXPECT_GT(english().codes().size(), 1000U);
  EXPECT_EQ(english()("file.folder_not_made", {{"why", "no space"}}), "the folder could not be made: no space");
}

TEST(MessageCodec, ComesBackAsItWas) {
  const std::vector<Message> some{
      Message("a.gap", {{"gap", mm(2.4)}, {"bones", all(std::vector<std::string>{"C1", "M2"})}}).about("M2"),
      Message("a.because", {{"what", "M2"}, {"why", Message("a.slices", {{"n", 1}})}}),
      Message("a.gap", {{"gap", Quantity{1, Unit::kNone, -3, true}},
                        {"bones", each(std::vector<Message>{"a.plain", "a.clause"})}}),
      Message::quoted("as written"), Message()};
  const auto codec = codec::messages();
  EXPECT_EQ(codec.from(codec.write(some), ""), some);
  EXPECT_EQ(codec::message().from("an older text", ""), Message::quoted("an older text"));
  EXPECT_EQ(codec::message().from(nullptr, ""), Message());
  const Message unknown("a.gap", {{"gap", mm(std::nan(""))}});
  const Message back = codec::message().from(codec::Json::parse(codec::message().write(unknown).dump()), "");
  EXPECT_TRUE(std::isnan(std::get<Quantity>(back.args().front().value.held()).value));
  EXPECT_THROW((void)codec::message().from(3, "/doubt"), codec::BadField);
}

TEST(Spoken, FilesHoldSentencesAndKeepTheCodes) {
  const Message gone("file.not_written"), why("file.folder_not_made", {{"why", "no space"}});
  const codec::Json document{{"cautions", {codec::message().write(gone), "a text"}},
                             {"bones", {{{"id", "M2"}, {"a/b~c", codec::message().write(why)}}}}};
  const codec::Json file = spoken(document, english());
  EXPECT_EQ(file["cautions"], (codec::Json{"the file could not be written", "a text"}));
  EXPECT_EQ(file["bones"][0]["a/b~c"], "the folder could not be made: no space");
  EXPECT_EQ(file["messages"].size(), 2U);
  EXPECT_EQ(file["messages"]["/cautions/0"]["say"], "file.not_written");

  codec::Json back = unspoken(file);
  EXPECT_EQ(codec::message().from(back["cautions"][0], ""), gone);
  EXPECT_EQ(codec::message().from(back["bones"][0]["a/b~c"], ""), why);
  EXPECT_EQ(inWords(document, english())["cautions"][0], "the file could not be written");
  EXPECT_FALSE(inWords(document, english()).contains("messages"));
  // Of other programs and of older versions.
  EXPECT_EQ(unspoken({{"messages", "none"}, {"a", 1}}), (codec::Json{{"messages", "none"}, {"a", 1}}));
  EXPECT_EQ(unspoken({{"messages", {{"nowhere", {{"say", "x.y"}}}}}})["messages"].size(), 1U);
}

}  // namespace
}  // namespace rayset
