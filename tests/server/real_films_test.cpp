#include "server/real_films.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <fstream>

#include "client.h"
#include "dicom/film_writer.h"
#include "english.h"
#include "language/spoken.h"
#include "resources.h"
#include "server/server.h"

namespace rayset::server {
namespace {
namespace fs = std::filesystem;
using rayset::testing::Answer;
using rayset::testing::ask;
using rayset::testing::Folder;
using ::testing::HasSubstr;

/// Dark left, bright right, a bright bar in the middle: `columns` x `rows`.
Film plainFilm(int columns, int rows) {
  Film film(columns, rows);
  for (int r = 0; r < rows; ++r)
    for (int c = 0; c < columns; ++c)
      film.at(c, r) = static_cast<float>(c + (r > rows / 3 && r < rows / 2 ? columns : 0));
  return film;
}

FilmWriteInfo lateralOf(const std::string& patient, Side side) {
  FilmWriteInfo info;
  info.patient_name = "INVENTED^FILM";
  info.patient_id = patient;
  info.study_date = "20260102";
  info.side = side;
  info.view = FilmView::kLateral;
  info.column_mm = info.row_mm = 0.2;
  return info;
}

void makeFilm(const fs::path& file, const FilmWriteInfo& info, int columns = 120, int rows = 160) {
  fs::create_directories(file.parent_path());
  ASSERT_TRUE(writeFilm(file, plainFilm(columns, rows), info));
}
void makeText(const fs::path& file, const std::string& text) {
  fs::create_directories(file.parent_path());
  std::ofstream(file, std::ios::binary) << text;
}

std::uint32_t number(const std::string& bytes, std::size_t at) {
  std::uint32_t n = 0;
  for (std::size_t k = 0; k < 4; ++k) n = n << 8U | static_cast<unsigned char>(bytes[at + k]);
  return n;
}

TEST(RealFilms, AreNumberedAndTold) {
  const Folder folder;
  const fs::path given = folder.path / "given", films = folder.path / "films";
  fs::create_directories(films);
  makeFilm(given / "00001_foot.dcm", lateralOf("P1", Side::kRight));
  makeFilm(given / "more/00002_other.dcm", lateralOf("P2", Side::kLeft));
  FilmWriteInfo simulated = lateralOf("P1", Side::kRight);
  simulated.simulated = true;
  simulated.derivation = "made for a test";
  makeFilm(given / "more/00003_simulated.dcm", simulated);
  makeText(given / "zz.png", "\x89PNG\r\n\x1A\nand more");
  makeText(films / "0004.dcm", "an older one");
  const auto told = takeFilms(given, films, {{"patient_id", "P1"}}, "right", {});
  ASSERT_TRUE(told) << english(told.error());
  ASSERT_EQ(told->size(), 4U);
  const Json& own = (*told)[0];
  EXPECT_EQ(own["id"], "films/0005.dcm");
  EXPECT_EQ(own["name"], "foot.dcm");
  EXPECT_EQ(own["view"], "lateral");
  EXPECT_EQ(own["side"], "right");
  EXPECT_THAT(inWords(own["cautions"], english()).dump(), ::testing::Not(HasSubstr("another patient")));
  EXPECT_THAT(inWords((*told)[1]["cautions"], english()).dump(), HasSubstr("another patient: P2, the CT is of P1"));
  EXPECT_THAT(inWords((*told)[1]["cautions"], english()).dump(),
              HasSubstr("shows the left foot; the right foot is planned"));
  EXPECT_THAT(inWords((*told)[2]["cautions"], english()).dump(), HasSubstr("no picture of a person"));
  EXPECT_EQ((*told)[3]["id"], "films/0008.png");
  EXPECT_TRUE((*told)[3]["view"].is_null());
  EXPECT_THAT(inWords((*told)[3]["cautions"], english()).dump(), HasSubstr("whose foot"));
  for (const char* name : {"0004.dcm", "0005.dcm", "0006.dcm", "0007.dcm", "0008.png"})
    EXPECT_TRUE(fs::exists(films / name)) << name;
}

TEST(RealFilms, WhatIsNoFilmIsRefusedByItsName) {
  const Folder folder;
  fs::create_directories(folder.path / "films");
  makeText(folder.path / "given/00001_notes.txt", "no film");
  const auto told = takeFilms(folder.path / "given", folder.path / "films", nullptr, "", {});
  ASSERT_FALSE(told);
  EXPECT_EQ(told.error().where, "notes.txt");
  EXPECT_THAT(english(told.error().remedy), HasSubstr("PNG and JPEG"));
  fs::create_directories(folder.path / "empty");
  EXPECT_FALSE(takeFilms(folder.path / "empty", folder.path / "films", nullptr, "", {}));
}

TEST(RealFilms, AreShownWithTheirSizeWhateverTheirPacking) {
  const Folder folder;
  FilmWriteInfo info = lateralOf("P1", Side::kRight);
  std::vector<std::string> pictures;
  for (const auto packed : {CtWriteSettings::Compression::kNone, CtWriteSettings::Compression::kRle,
                            CtWriteSettings::Compression::kJpegLossless, CtWriteSettings::Compression::kJpegLs}) {
    info.compression = packed;
    makeFilm(folder.path / "a.dcm", info, 120, 160);
    const auto picture = filmPicture(folder.path / "a.dcm");
    ASSERT_TRUE(picture) << english(picture.error());
    EXPECT_EQ(picture->type, "image/png");
    pictures.push_back(picture->bytes);
  }
  for (const std::string& p : pictures) EXPECT_EQ(p, pictures[0]);
  const std::string& png = pictures[0];
  EXPECT_EQ(number(png, 16), 120U);
  EXPECT_EQ(number(png, 20), 160U);
  const std::size_t size = png.find("pHYs");
  ASSERT_NE(size, std::string::npos);
  EXPECT_EQ(number(png, size + 4), 5000U) << "pixels a metre, of 0.2 mm";
  // A large one comes smaller, and says so in its size.
  makeFilm(folder.path / "b.dcm", lateralOf("P1", Side::kRight), 3000, 4096);
  const auto large = filmPicture(folder.path / "b.dcm");
  ASSERT_TRUE(large);
  EXPECT_EQ(number(large->bytes, 16), 1500U);
  EXPECT_EQ(number(large->bytes, 20), 2048U);
  EXPECT_EQ(number(large->bytes, large->bytes.find("pHYs") + 4), 2500U);
  // A picture stays as it is.
  makeText(folder.path / "c.jpg", "\xFF\xD8\xFF\xE0 and more");
  const auto kept = filmPicture(folder.path / "c.jpg");
  ASSERT_TRUE(kept);
  EXPECT_EQ(kept->type, "image/jpeg");
  EXPECT_EQ(kept->bytes, "\xFF\xD8\xFF\xE0 and more");
}

TEST(RealFilms, StandInTheirCaseUntilTheyAreTakenOff) {
  const Folder folder;
  auto server = Server::start({folder.path / "cases", folder.path / "web", {}, "9.9.9", test::resources()});
  ASSERT_TRUE(server) << english(server.error());
  const std::uint16_t port = (*server)->port();
  const auto get = [&](const std::string& target) { return ask(port, "GET", target); };
  const auto post = [&](const std::string& target, const Json& body) { return ask(port, "POST", target, body.dump()); };
  const std::string id = post("/api/cases", {{"name", "Case"}}).json()["id"], base = "/api/cases/" + id;
  const auto give = [&](const fs::path& file) {
    std::ifstream in(file, std::ios::binary);
    const std::string bytes((std::istreambuf_iterator<char>(in)), {});
    EXPECT_EQ(ask(port, "PUT", base + "/upload/films/00001_" + file.filename().string(), bytes).status, 204);
    const Answer started = post(base + "/import", {{"part", "films"}});
    EXPECT_EQ(started.status, 202) << started.body;
    for (int n = 0; n < 500 && !get(base).json()["job"].is_null(); ++n)
      std::this_thread::sleep_for(std::chrono::milliseconds(20));
    return get(base).json();
  };
  makeFilm(folder.path / "first.dcm", lateralOf("P1", Side::kRight));
  makeFilm(folder.path / "second.dcm", lateralOf("P1", Side::kRight));
  EXPECT_EQ(give(folder.path / "first.dcm")["films"].size(), 1U);
  const Json both = give(folder.path / "second.dcm");
  ASSERT_EQ(both["films"].size(), 2U);
  EXPECT_EQ(both["films"][1]["id"], "films/0002.dcm");
  EXPECT_EQ(both["history"].back()["words"], "films");
  EXPECT_EQ(both["uploads"]["films"].size(), 0U);
  const Answer shown = get(base + "/real-film/films/0002.dcm");
  EXPECT_EQ(shown.status, 200);
  EXPECT_EQ(shown.header("Content-Type"), "image/png");
  for (const char* other : {"/real-film/films/0003.dcm", "/real-film/films", "/real-film/plan/plan.json",
                            "/real-film/films/..", "/real-film"})
    EXPECT_EQ(get(base + other).status, 404) << other;
  // What is no film changes nothing, and is told.
  makeText(folder.path / "notes.txt", "no film");
  EXPECT_EQ(give(folder.path / "notes.txt")["films"].size(), 2U);
  EXPECT_EQ(ask(port, "DELETE", base + "/upload/films").status, 204);

  EXPECT_EQ(post(base + "/edits", {{"kind", "film.remove"}, {"id", "films/0009.dcm"}}).status, 400);
  const Answer off = post(base + "/edits", {{"kind", "film.remove"}, {"id", "films/0001.dcm"}});
  ASSERT_EQ(off.status, 200) << off.body;
  ASSERT_EQ(off.json()["state"]["films"].size(), 1U);
  EXPECT_EQ(off.json()["state"]["can_undo"], "film taken off the case");
  EXPECT_EQ(get(base + "/real-film/films/0001.dcm").status, 404);
  EXPECT_EQ(give(folder.path / "first.dcm")["films"].size(), 2U) << "taken off is taken off";
  EXPECT_EQ(post(base + "/undo", Json::object()).json()["state"]["films"].size(), 3U);
}

}  // namespace
}  // namespace rayset::server
