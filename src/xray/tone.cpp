#include "xray/tone.h"

#include <tbb/parallel_for.h>

#include <algorithm>
#include <cmath>
#include <stdexcept>
#include <vector>

#include "base/counter_random.h"

namespace rayset {
namespace {

void check(const ToneSettings& s) {
  const bool good = s.scatter_fraction >= 0 && s.scatter_fraction <= 0.95 && s.scatter_sigma_mm > 0 && s.pixel_mm > 0 &&
                    s.photons >= 0 && s.contrast >= 0 && s.low_percent >= 0 && s.high_percent <= 100 &&
                    s.low_percent <= s.high_percent && (!s.window || s.window->high > s.window->low);
  if (!good) throw std::invalid_argument("simulated film: setting out of range");
}

/// Mean over `radius` neighbours either way along a line; end values are repeated.
void boxLine(const float* from, float* to, int n, std::ptrdiff_t step, int radius) {
  const auto at = [&](int i) { return static_cast<double>(from[std::clamp(i, 0, n - 1) * step]); };
  double sum = 0;
  for (int i = -radius; i <= radius; ++i) sum += at(i);
  const double share = 1.0 / (2 * radius + 1);
  for (int i = 0; i < n; ++i) {
    to[i * step] = static_cast<float>(sum * share);
    sum += at(i + radius + 1) - at(i - radius);
  }
}

/// Close to a Gaussian: three running means each way (Wells 1986), whose variances add up to sigma squared.
void blur(Film& film, double sigma) {
  const auto radius = static_cast<int>(std::lround((std::sqrt(4 * sigma * sigma + 1) - 1) / 2));
  if (radius < 1) return;
  Film other = film;
  for (int pass = 0; pass < 3; ++pass) {
    tbb::parallel_for(0, film.rows, [&](int r) {
      boxLine(film.values.data() + film.offset(0, r), other.values.data() + film.offset(0, r), film.columns, 1, radius);
    });
    tbb::parallel_for(0, film.columns, [&](int c) {
      boxLine(other.values.data() + c, film.values.data() + c, film.rows, film.columns, radius);
    });
  }
}

/// A Poisson number from the counter: by summing its distribution if few are expected, else from the normal
/// distribution, which is then close.
double poisson(double mean, std::uint64_t counter) {
  constexpr double kMany = 60;
  if (mean > kMany)
    return std::max(0.0, std::round(mean + std::sqrt(mean) * static_cast<double>(normalPair(counter)[0])));
  const double u = static_cast<double>(counterHash(counter) >> 11) * 0x1p-53;
  double p = std::exp(-mean), sum = p, n = 0;
  while (u > sum && n < 10 * kMany) {
    ++n;
    p *= mean / n;
    sum += p;
  }
  return n;
}

float attenuationOf(float exposure) { return -std::log(std::max(exposure, 1e-6F)); }

}  // namespace

Film exposure(std::span<const float> line_integrals, int columns, int rows, const ToneSettings& settings) {
  check(settings);
  if (columns < 0 || rows < 0 ||
      line_integrals.size() != static_cast<std::size_t>(columns) * static_cast<std::size_t>(rows))
    throw std::invalid_argument("simulated film: the picture is not of this size");
  Film film(columns, rows);
  if (film.empty()) return film;
  const auto width = static_cast<std::size_t>(columns);
  const auto everyRow = [&](const auto& work) {
    tbb::parallel_for(0, rows, [&](int r) {
      for (std::size_t n = film.offset(0, r), end = n + width; n < end; ++n) work(n);
    });
  };
  everyRow([&](std::size_t n) { film.values[n] = std::exp(-line_integrals[n]); });
  if (settings.scatter_fraction > 0) {
    Film scatter = film;
    blur(scatter, settings.scatter_sigma_mm / settings.pixel_mm);
    const auto share = static_cast<float>(settings.scatter_fraction / (1 - settings.scatter_fraction));
    everyRow([&](std::size_t n) { film.values[n] += share * scatter.values[n]; });
  }
  if (settings.photons > 0) {
    const std::uint64_t stream = counterHash(settings.seed);
    everyRow([&](std::size_t n) {
      // Half a photon if none arrived: its logarithm must exist.
      const double seen = poisson(settings.photons * static_cast<double>(film.values[n]), stream + n);
      film.values[n] = static_cast<float>(std::max(seen, 0.5) / settings.photons);
    });
  }
  return film;
}

ToneWindow toneWindow(const Film& exposure, const ToneSettings& settings) {
  check(settings);
  if (settings.window) return *settings.window;
  std::vector<float> values, all;
  for (const float e : exposure.values) {
    const float a = attenuationOf(e);
    all.push_back(a);
    if (static_cast<double>(a) > settings.object) values.push_back(a);
  }
  if (values.empty()) values = std::move(all);
  if (values.empty()) return {};
  const auto percentile = [&](double percent) {
    const auto n = static_cast<std::ptrdiff_t>(std::lround(percent / 100 * (static_cast<double>(values.size()) - 1)));
    std::nth_element(values.begin(), values.begin() + n, values.end());
    return static_cast<double>(values[static_cast<std::size_t>(n)]);
  };
  ToneWindow w{percentile(settings.low_percent), percentile(settings.high_percent)};
  if (w.high - w.low < 1e-3) w.high = w.low + 1e-3;  // a uniform picture
  return w;
}

Film develop(const Film& exposure, const ToneSettings& settings) {
  const ToneWindow w = toneWindow(exposure, settings);
  Film film(exposure.columns, exposure.rows);
  const auto curve = [&](double x) { return 1 / (1 + std::exp(-settings.contrast * (x - 0.5))); };
  const double floor = curve(0), range = curve(1) - floor;
  tbb::parallel_for(0, film.rows, [&](int r) {
    for (int c = 0; c < film.columns; ++c) {
      const double x =
          std::clamp((static_cast<double>(attenuationOf(exposure.at(c, r))) - w.low) / (w.high - w.low), 0.0, 1.0);
      film.at(c, r) = static_cast<float>(range > 1e-6 ? (curve(x) - floor) / range : x);
    }
  });
  return film;
}

Film simulatedFilm(std::span<const float> line_integrals, int columns, int rows, const ToneSettings& settings) {
  return develop(exposure(line_integrals, columns, rows, settings), settings);
}

}  // namespace rayset
