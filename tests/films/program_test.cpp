// rayset film from outside: exit statuses, what is written and what is not, JSON against its schema, the words of the
// report.
#include <fmt/format.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <fstream>
#include <sstream>

#include "paper_foot.h"
#include "shell.h"

namespace rayset::test {
namespace {

namespace fs = std::filesystem;
using ::testing::AllOf;
using ::testing::HasSubstr;
using ::testing::Not;

class FilmProgram : public ::testing::Test {
 protected:
  void write(const std::string& name, FilmView view, const PaperFoot& foot,
             const std::function<void(FilmWriteInfo&)>& change = {}) {
    const PaperFilm film = paperFilm(view, foot);
    FilmWriteInfo info = paperInfo(view, foot.side);
    if (change) change(info);
    ASSERT_TRUE(writeFilm(folder / name, film.film, info));
    entries.push_back(landmarkEntry(name, view, foot.side, film));
    files += " '" + (folder / name).string() + "'";
  }
  void landmarks() { std::ofstream(folder / "l.json") << landmarkDocument(entries).dump(1); }
  Ended run(const std::string& more) { return shell(std::string(RAYSET_PROGRAM) + " film" + files + " " + more); }
  Ended measure() {
    landmarks();
    return run("--landmarks '" + (folder / "l.json").string() + "' --out '" + (folder / "out").string() + "'");
  }
  [[nodiscard]] bool nothingWritten() const {
    for (const auto& item : fs::directory_iterator(folder.path())) {
      const std::string name = item.path().filename().string();
      if (name.find("out") != std::string::npos) return false;
    }
    return true;
  }
  Folder folder;
  std::string files;
  nlohmann::ordered_json entries = nlohmann::ordered_json::array();
};

TEST_F(FilmProgram, MeasuresAndReports) {
  write("dp.dcm", FilmView::kDorsoplantar, {.c1_m2_gap = 4, .m2_shift = 3});
  write("dp_other.dcm", FilmView::kDorsoplantar, {.side = Side::kLeft, .c1_m2_gap = 4});
  write("oblique.dcm", FilmView::kOblique, {.m4_shift = 2.4});
  write("lateral.dcm", FilmView::kLateral, {.m1_step = 1.6, .arch = 14, .sag_deg = 6});
  const Ended e = measure();
  ASSERT_EQ(e.status, 0) << e.said;
  EXPECT_THAT(e.said,
              AllOf(HasSubstr("RIGHT foot, 4 films"), HasSubstr("ABNORMAL"),
                    HasSubstr("The mean of 200 normal feet is 5.6 mm"), HasSubstr("a licensed surgeon decides")));
  for (const char* name : {"film.json", "film_report.pdf", "pictures/film_1.png", "pictures/film_1_right.png",
                           "pictures/film_2_left.png", "pictures/film_4_right.png"})
    EXPECT_TRUE(fs::exists(folder / "out" / name)) << name;
  EXPECT_EQ(offence("film.schema.json", folder / "out/film.json"), "");
  EXPECT_EQ(offence("landmarks.schema.json", folder / "l.json"), "");
  std::ifstream in(folder / "out/film.json");
  const auto json = nlohmann::json::parse(in);
  bool seen = false;
  for (const auto& m : json["measures"])
    if (m["key"] == "c1_m2_distance") {
      seen = true;
      EXPECT_NEAR(m["value"].get<double>(), 7, 0.15);
      EXPECT_NEAR(m["difference"].get<double>(), 3, 0.2);
      EXPECT_EQ(m["abnormal"], true);
      EXPECT_EQ(m["limits"][0]["decides"], false);
      EXPECT_NE(m["limits"][0]["contradiction"], "");
    }
  EXPECT_TRUE(seen);
  EXPECT_EQ(json["patient"]["id"], "PAPER-1");

  if (std::system("command -v pdftotext > /dev/null") == 0) {
    const std::string text = shell("pdftotext -layout '" + (folder / "out/film_report.pdf").string() + "' -").said;
    EXPECT_THAT(text, AllOf(HasSubstr("RIGHT FOOT"), HasSubstr("INVENTED, PAPER"), HasSubstr("C1–M2 distance"),
                            HasSubstr("Limits that do not hold"), HasSubstr("A licensed surgeon decides"),
                            HasSubstr("Nunley and Vertullo"), HasSubstr("simulated")));
    // Patient and side on every page.
    std::size_t pages = 0, from = 0;
    for (std::size_t end = text.find('\f'); end != std::string::npos; from = end + 1, end = text.find('\f', from)) {
      const std::string page = text.substr(from, end - from);
      EXPECT_THAT(page, AllOf(HasSubstr("RIGHT FOOT"), HasSubstr("PAPER-1"), HasSubstr("Not a medical device")));
      ++pages;
    }
    EXPECT_GE(pages, 5u);
  }
  // An earlier result is replaced only when asked to.
  EXPECT_EQ(measure().status, 2);
  EXPECT_EQ(run("--landmarks '" + (folder / "l.json").string() + "' --force --out '" + (folder / "out").string() + "'")
                .status,
            0);
}

TEST_F(FilmProgram, WithoutLandmarksATemplateAndPictures) {
  write("dp.dcm", FilmView::kDorsoplantar, {});
  write("lateral.dcm", FilmView::kLateral, {});
  const Ended e = run("--out '" + (folder / "out").string() + "'");
  ASSERT_EQ(e.status, 0) << e.said;
  EXPECT_THAT(e.said, HasSubstr("Nothing was measured yet"));
  EXPECT_TRUE(fs::exists(folder / "out/film_1.png"));
  EXPECT_TRUE(fs::exists(folder / "out/film_2.png"));
  EXPECT_FALSE(fs::exists(folder / "out/film.json"));
  EXPECT_EQ(offence("landmarks.schema.json", folder / "out/landmarks.json"), "");
  // The template as it is: nothing can be measured, and that is said.
  const Ended empty =
      run("--landmarks '" + (folder / "out/landmarks.json").string() + "' --out '" + (folder / "out2").string() + "'");
  EXPECT_EQ(empty.status, 4) << empty.said;
  EXPECT_THAT(empty.said, HasSubstr("Nothing could be measured"));
}

TEST_F(FilmProgram, NoSizeEndsWith4) {
  write("lateral.dcm", FilmView::kLateral, {.sag_deg = 8}, [](FilmWriteInfo& i) {
    i.kind = FilmWriteInfo::Kind::kComputed;
    i.column_mm = i.row_mm = i.object_column_mm = i.object_row_mm = 0;
  });
  const Ended e = measure();
  EXPECT_EQ(e.status, 4) << e.said;
  EXPECT_THAT(e.said, AllOf(HasSubstr("Talo-first-metatarsal angle"), Not(HasSubstr("Arch height")),
                            HasSubstr("no length was measured")));
  EXPECT_EQ(offence("film.schema.json", folder / "out/film.json"), "");
}

TEST_F(FilmProgram, WrongRequestsEndWith2AndLeaveNothing) {
  write("dp.dcm", FilmView::kDorsoplantar, {});
  EXPECT_EQ(shell(std::string(RAYSET_PROGRAM) + " film").status, 2);
  EXPECT_EQ(
      run("--landmarks '" + (folder / "none.json").string() + "' --out '" + (folder / "out").string() + "'").status, 2);
  const std::string kept = files;
  files += " '" + (folder / "missing.dcm").string() + "'";
  const Ended missing = measure();
  EXPECT_EQ(missing.status, 2);
  EXPECT_THAT(missing.said, HasSubstr("missing.dcm"));
  files = kept;
  entries[0]["feet"][0]["side"] = "left";
  const Ended side = measure();
  EXPECT_EQ(side.status, 2);
  EXPECT_THAT(side.said, AllOf(HasSubstr("dp.dcm"), HasSubstr("left"), HasSubstr("Image Laterality (0020,0062)")));
  EXPECT_TRUE(nothingWritten());
}

TEST_F(FilmProgram, UnusableFilmsEndWith3AndLeaveNothing) {
  write("dp.dcm", FilmView::kDorsoplantar, {});
  write("lateral.dcm", FilmView::kLateral, {}, [](FilmWriteInfo& i) { i.patient_id = "SOMEBODY-ELSE"; });
  const Ended patients = measure();
  EXPECT_EQ(patients.status, 3);
  EXPECT_THAT(patients.said,
              AllOf(HasSubstr("PAPER-1"), HasSubstr("SOMEBODY-ELSE"), HasSubstr("Patient ID (0010,0020)")));
  EXPECT_EQ(run("--out '" + (folder / "out").string() + "'").status, 3) << "nor a template";
  std::ofstream(folder / "dp.dcm") << "no DICOM at all, but text that is long enough to be looked at";
  EXPECT_EQ(measure().status, 3);
  EXPECT_TRUE(nothingWritten());
}

}  // namespace
}  // namespace rayset::test
