// Where a film was taken from, by its header or by what a person says.
#include "outcome/film_check.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "base/units.h"
#include "english.h"

namespace rayset {
namespace {

using testing::HasSubstr;

FilmScan scanOf(std::optional<FilmView> view, bool lateromedial = false) {
  FilmScan scan;
  scan.film = Film(200, 150);
  scan.info.file = "film.dcm";
  scan.info.view = view;
  scan.info.view_from = "View Code Sequence (0054,0220)";
  scan.info.lateromedial = lateromedial;
  scan.info.spacing.origin = FilmSpacing::Origin::kDetector;
  scan.info.spacing.column_mm = scan.info.spacing.row_mm = 0.2;
  return scan;
}

TEST(CheckedFilm, ALateralFilmIsTakenFromTheSideItsHeaderTells) {
  const auto usual = checkedFilm(scanOf(FilmView::kLateral), "");
  ASSERT_TRUE(usual) << english(usual.error());
  EXPECT_NEAR(toDegrees(usual->tube.orbital_rad), -90, 1e-9);
  EXPECT_THAT(english(usual->view), HasSubstr("beam from medial"));
  EXPECT_THAT(english(usual->view), HasSubstr("View Code Sequence"));
  const auto other = checkedFilm(scanOf(FilmView::kLateral, true), "");
  ASSERT_TRUE(other) << english(other.error());
  EXPECT_NEAR(toDegrees(other->tube.orbital_rad), 90, 1e-9);
  EXPECT_THAT(english(other->view), HasSubstr("beam from lateral"));
  EXPECT_NEAR(other->tube.width_mm, 40, 1e-9);
  EXPECT_NEAR(other->tube.height_mm, 30, 1e-9);
}

TEST(CheckedFilm, WhatAPersonSaysGoesBeforeTheHeader) {
  const auto said = checkedFilm(scanOf(FilmView::kLateral), "lateromedial");
  ASSERT_TRUE(said) << english(said.error());
  EXPECT_NEAR(toDegrees(said->tube.orbital_rad), 90, 1e-9);
}

TEST(CheckedFilm, WithoutAViewOrASizeOfPixelsItIsRefused) {
  const auto nameless = checkedFilm(scanOf(std::nullopt), "");
  ASSERT_FALSE(nameless);
  EXPECT_THAT(english(nameless.error()), HasSubstr("film.dcm"));
  FilmScan unscaled = scanOf(FilmView::kDorsoplantar);
  unscaled.info.spacing = {};
  const auto refused = checkedFilm(std::move(unscaled), "");
  ASSERT_FALSE(refused);
  EXPECT_THAT(english(refused.error()), HasSubstr("size of its pixels"));
}

TEST(DoubtOfFilms, FilmsThatDoNotAgreeAreToldAndThoseThatContradictRefused) {
  const auto films = [](double a, double b, double margin) {
    std::vector<FoundFilm> out(2);
    out[0].similarity = a;
    out[1].similarity = b;
    out[0].margin = out[1].margin = margin;
    return out;
  };
  const std::vector<std::string> files{"dp.dcm", "lat.dcm"};
  EXPECT_EQ(doubtOfFilms(films(0.92, 0.89, 0.5), files).value(), "");
  EXPECT_THAT(english(doubtOfFilms(films(0.70, 0.89, 0.5), files).value()), HasSubstr("dp.dcm is met with 0.70"));
  EXPECT_THAT(english(doubtOfFilms(films(0.92, 0.89, 0.01), files).value()), HasSubstr("elsewhere"));
  const auto refused = doubtOfFilms(films(0.44, 0.80, 0.5), files);  // seen, and the first film was 16 degrees off
  ASSERT_FALSE(refused);
  EXPECT_EQ(refused.error().fault, Fault::kImages);
  EXPECT_THAT(english(refused.error()), HasSubstr("dp.dcm"));
}

}  // namespace
}  // namespace rayset
