#include "xray/film_exposure.h"

#include <tbb/parallel_for.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <utility>

namespace rayset::film_fit {
namespace {

/// The scatter reaching each pixel of a level, if the beam passes through `sum` (line integrals), as a share of the
/// exposure of open film, supposing that as much is scattered as arrives; `sigma_mm`: its spread at the detector.
Film scatteredBy(const Film& sum, const LevelFilm& film, double sigma_mm) {
  Film out(sum.columns, sum.rows);
  for (std::size_t i = 0; i < out.values.size(); ++i)
    out.values[i] = film.inside.values[i] > 0 ? std::exp(-static_cast<float>(kFilmBeam) * sum.values[i]) : 0;
  return blurred(out, pixelsOf(sigma_mm, film.view));
}

/// Sets the scatter on level `to` to `share` times `pattern` (scatteredBy()) of one level.
void setScatter(FilmState& f, double share, const Film& pattern, int level, int to) {
  constexpr double kLeast = 1e-4;  // beyond the film's edge, for the logarithm
  f.scatter = share;
  auto& log_scatter = f.log_scatter[static_cast<std::size_t>(to)];
  log_scatter = nullptr;
  if (share <= 0) return;
  const ProjectionView& view = f.at(to).view;
  const double step = view.pixel_mm / f.at(level).view.pixel_mm;
  Film film(view.columns, view.rows);
  for (int r = 0; r < view.rows; ++r)
    for (int c = 0; c < view.columns; ++c)
      film.at(c, r) = static_cast<float>(std::log(std::max(kLeast, share * resampled(pattern, c, r, step))));
  log_scatter = std::make_shared<const Film>(std::move(film));
}

/// Even steps from `at` until both neighbours match worse, then the vertex of the parabola through the three.
template <class Met>
double climbed(double at, double step, double least, double most, const Met& met) {
  double here = met(at), less = met(at - step), more = met(at + step);
  while (std::max(less, more) > here) {
    if (more >= less ? at >= most : at <= least) break;
    if (more >= less) {
      at += step;
      less = std::exchange(here, more);
      more = met(at + step);
    } else {
      at -= step;
      more = std::exchange(here, less);
      less = met(at - step);
    }
  }
  const double bend = less - 2 * here + more;
  const double beside = bend < 0 ? std::clamp(0.5 * (less - more) / bend, -1.0, 1.0) : 0;
  return std::clamp(at + step * beside, least, most);
}

/// A picture's values on another scale.
Film through(Film film, const GreyScale& scale) {
  for (float& v : film.values) v = scale(v);
  return film;
}

}  // namespace

void smooth(FilmState& f, int level, double sigma_mm, const GreyScale& scale) {
  auto& smoothed = f.smoothed[static_cast<std::size_t>(level)];
  smoothed = nullptr;
  if (sigma_mm <= 0) return;
  const LevelFilm& lf = f.at(level);
  Smoothed out{gaussian(through(lf.film, scale.inverse()), sigma_mm / lf.view.pixel_mm), {}};
  out.film = through(std::move(out.film), scale);
  out.sorted = sortedValues(out.film, lf.inside);
  smoothed = std::make_shared<const Smoothed>(std::move(out));
}

double blurBetween(const FilmState& f, int level, const Prediction& prediction, double most) {
  constexpr double kFineMm = 1.2, kCoarseMm = 4, kStepMm = 0.15;
  const LevelFilm& lf = f.at(level);
  const double pixel = lf.view.pixel_mm;
  const Film film = through(lf.film, prediction.scale->inverse());
  // Details up to kFineMm, and from there to kCoarseMm.
  const auto details = [&](const Film& in) {
    std::array<Film, 2> out{in, gaussian(in, kFineMm / pixel)};
    const Film coarse = gaussian(in, kCoarseMm / pixel);
    for (std::size_t i = 0; i < in.values.size(); ++i) {
      out[0].values[i] -= out[1].values[i];
      out[1].values[i] -= coarse.values[i];
    }
    return out;
  };
  const auto wanted = details(prediction.seen);
  // The film's fine details against its coarse ones, both as a share of the prediction's.
  const auto finer = [&](double sigma) {
    const auto shown = details(sigma > 0 ? gaussian(film, sigma / pixel) : film);
    std::array<double, 2> share{};
    for (std::size_t n = 0; n < 2; ++n) {
      double both = 0, own = 0;
      for (std::size_t i = 0; i < film.values.size(); ++i) {
        if (prediction.weight.values[i] <= 0) continue;
        const auto w = static_cast<double>(wanted[n].values[i]);
        both += w * static_cast<double>(shown[n].values[i]);
        own += w * w;
      }
      share[n] = own > 0 ? both / own : 0;
    }
    return share[0] - share[1];
  };
  double here = finer(0);
  for (double sigma = 0; here > 0; sigma += kStepMm) {
    if (sigma >= most) return most;
    const double next = finer(sigma + kStepMm);
    if (next <= 0) return std::min(most, sigma + kStepMm * here / (here - next));
    here = next;
  }
  return 0;
}

void fitExposure(Problem& p, int level, const Mode& mode, bool in_place) {
  constexpr double kRiseStep = 0.0004, kMostRise = 0.004;  // per mm: a larger rise is not due to the tube
  constexpr double kScatterStep = 0.08, kMostScatter = 1;
  constexpr double kMostSmoothMm = 0.9;
  constexpr std::array<double, 3> kScatterMm{10, 16, 25};  // with the gap between foot and detector, and the unit
  tbb::parallel_for(std::size_t{0}, p.films.size(), [&](std::size_t n) {
    FilmState& film = p.films[n];
    const Drawing drawing = drawn(p, film, level);
    const auto metWith = [&](auto change) {
      return [&, change](double value) {
        FilmState f = film;
        change(f, value);
        return similarity(predict(p, f, level, mode, drawing));
      };
    };
    for (const int along : {0, 1})
      film.rise[along] = climbed(film.rise[along], kRiseStep, -kMostRise, kMostRise,
                                 metWith([along](FilmState& f, double rise) { f.rise[along] = rise; }));
    const auto fitGain = [&] {
      film.bone_gain =
          std::exp(climbed(std::log(film.bone_gain), std::log(1.2), std::log(kLeastBoneGain), std::log(kMostBoneGain),
                           metWith([](FilmState& f, double log_gain) { f.bone_gain = std::exp(log_gain); })));
    };
    fitGain();
    const Film sum = predict(p, film, level, mode, drawing).sum;
    double best = -1, share = 0;
    Film pattern;
    for (const double sigma_mm : kScatterMm) {
      Film scattered = scatteredBy(sum, film.at(level), sigma_mm);
      const auto metSo =
          metWith([&](FilmState& f, double value) { setScatter(f, std::max(0.0, value), scattered, level, level); });
      const double here = climbed(film.scatter, kScatterStep, 0, kMostScatter, metSo);
      const double met = metSo(here);
      if (met <= best) continue;
      best = met;
      share = here;
      pattern = std::move(scattered);
    }
    for (int to = 0; to < kLevels; ++to) setScatter(film, share, pattern, level, to);
    if (!in_place) return fitGain();
    const Prediction now = predict(p, film, level, mode, drawing);
    smooth(film, level, blurBetween(film, level, now, kMostSmoothMm), *now.scale);
    fitGain();
  });
}

}  // namespace rayset::film_fit
