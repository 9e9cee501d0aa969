#include "xray/tone.h"

#include <gtest/gtest.h>
#include <tbb/global_control.h>

#include <cmath>
#include <numeric>

namespace rayset {
namespace {

double mean(const Film& film) {
  return std::accumulate(film.values.begin(), film.values.end(), 0.0) / static_cast<double>(film.values.size());
}

TEST(Tone, TransmissionIsBeerLambert) {
  const std::vector<float> lines{0, 1, 2, 0.5F};
  const Film film = exposure(lines, 2, 2);
  EXPECT_FLOAT_EQ(film.at(0, 0), 1);
  EXPECT_FLOAT_EQ(film.at(1, 0), std::exp(-1.0F));
  EXPECT_FLOAT_EQ(film.at(0, 1), std::exp(-2.0F));
}

TEST(Tone, ScatterIsItsShareBehindAnEvenObjectAndSpreadsBehindAnEdge) {
  ToneSettings s;
  s.scatter_fraction = 0.25;
  s.scatter_sigma_mm = 8;
  s.pixel_mm = 0.5;
  const std::vector<float> even(120 * 100, 1);
  for (const float v : exposure(even, 120, 100, s).values) EXPECT_NEAR(v, std::exp(-1.0) / 0.75, 1e-5);

  std::vector<float> edge(400 * 20, 0);
  for (std::size_t n = 0; n < edge.size(); ++n) edge[n] = n % 400 < 200 ? 0.0F : 20.0F;  // lead on the right
  const Film film = exposure(edge, 400, 20, s);
  // A blurred step: the Gaussian's distribution, sigma 16 pixels, within the few percent of three running means.
  for (const int off : {-32, -16, 0, 16, 32}) {
    const double expected = 0.5 * std::erfc((off + 0.5) / 16.0 / std::sqrt(2.0)) / 3 + (off < 0 ? 1 : 0);
    EXPECT_NEAR(film.at(200 + off, 10), expected, 0.008) << off;
  }
}

TEST(Tone, NoiseHasPoissonsSpread) {
  for (const double photons : {20.0, 400.0, 1e4}) {
    ToneSettings s;
    s.photons = photons;
    const std::vector<float> lines(256 * 256, 0.7F);
    const Film film = exposure(lines, 256, 256, s);
    const double expected = std::exp(-static_cast<double>(0.7F)), m = mean(film);
    double variance = 0;
    for (const float v : film.values) variance += std::pow(static_cast<double>(v) - m, 2) / (256.0 * 256.0);
    EXPECT_NEAR(m / expected, 1, 4 / std::sqrt(expected * photons * 65536)) << photons;
    EXPECT_NEAR(variance * photons / expected, 1, 0.03) << photons;
  }
}

TEST(Tone, NoiseIsItsSeedsAndNotTheThreads) {
  ToneSettings s;
  s.photons = 500;
  s.scatter_fraction = 0.3;
  std::vector<float> lines(200 * 150);
  for (std::size_t n = 0; n < lines.size(); ++n) lines[n] = static_cast<float>(n % 200) * 0.01F;
  const Film film = simulatedFilm(lines, 200, 150, s);
  for (const std::size_t threads : {1, 3}) {
    const tbb::global_control limit(tbb::global_control::max_allowed_parallelism, threads);
    EXPECT_EQ(simulatedFilm(lines, 200, 150, s).values, film.values);
  }
  s.seed = 2;
  EXPECT_NE(simulatedFilm(lines, 200, 150, s).values, film.values);
}

TEST(Tone, BoneIsBrightAndTheCurveIsAFilms) {
  std::vector<float> lines(101);
  for (std::size_t n = 0; n < lines.size(); ++n) lines[n] = static_cast<float>(n) * 0.03F;
  ToneSettings s;
  s.window = ToneWindow{0.3, 2.7};
  const Film film = simulatedFilm(lines, 101, 1, s);
  EXPECT_EQ(film.at(0, 0), 0);
  EXPECT_EQ(film.at(100, 0), 1);
  EXPECT_NEAR(film.at(50, 0), 0.5, 1e-4);
  for (int c = 1; c < 101; ++c) EXPECT_GE(film.at(c, 0), film.at(c - 1, 0));
  // Flat at toe and shoulder, steep in the middle.
  EXPECT_GT(film.at(52, 0) - film.at(48, 0), 1.3F * (film.at(15, 0) - film.at(11, 0)));
  s.contrast = 0;
  EXPECT_NEAR(simulatedFilm(lines, 101, 1, s).at(30, 0), (0.9 - 0.3) / 2.4, 1e-5);
}

TEST(Tone, WindowIsOfTheObjectNotTheAir) {
  std::vector<float> lines(1000, 0);  // nine tenths air
  for (std::size_t n = 0; n < 100; ++n) lines[n] = 1 + static_cast<float>(n) / 100;
  ToneSettings s;
  s.low_percent = 10;
  s.high_percent = 90;
  const ToneWindow w = toneWindow(exposure(lines, 100, 10), s);
  EXPECT_NEAR(w.low, 1.1, 0.011);
  EXPECT_NEAR(w.high, 1.89, 0.011);
  const std::vector<float> even(50, 0);
  const ToneWindow flat = toneWindow(exposure(even, 10, 5));
  EXPECT_GT(flat.high, flat.low);
  EXPECT_TRUE(simulatedFilm({}, 0, 0).empty());
}

TEST(Tone, RefusesWhatIsOutOfRange) {
  const std::vector<float> lines(4);
  EXPECT_THROW(static_cast<void>(exposure(lines, 3, 2)), std::invalid_argument);
  ToneSettings s;
  s.scatter_fraction = 1;
  EXPECT_THROW(static_cast<void>(exposure(lines, 2, 2, s)), std::invalid_argument);
  s = {};
  s.window = ToneWindow{1, 1};
  EXPECT_THROW(static_cast<void>(develop(Film(2, 2), s)), std::invalid_argument);
}

}  // namespace
}  // namespace rayset
