#include "phantom/beam.h"

#include <algorithm>
#include <cmath>
#include <numbers>

namespace rayset::beam {

double perMm(const Spectrum& material) {
  double sum = 0;
  for (std::size_t e = 0; e < kShare.size(); ++e) sum += kShare[e] * material[e];
  return sum;
}

double reading(double body, const Spectrum& material, double mm) {
  static const double kMean = perMm(kWater);
  double passed = 0;
  for (std::size_t e = 0; e < kShare.size(); ++e)
    passed += kShare[e] * std::exp(-body * kWater[e] / kMean - mm * material[e]);
  return -std::log(passed);
}

WaterCorrection::WaterCorrection() {
  for (double body = 0; body <= 40; body += kStep) readings_.push_back(reading(body, kWater, 0));
}

double WaterCorrection::operator()(double value) const {
  const auto above = std::upper_bound(readings_.begin(), readings_.end(), value);
  const std::size_t n =
      std::clamp<std::size_t>(static_cast<std::size_t>(above - readings_.begin()), 1, readings_.size() - 1);
  const double t = (value - readings_[n - 1]) / (readings_[n] - readings_[n - 1]);
  return (static_cast<double>(n - 1) + t) * kStep;
}

std::vector<double> rampFilter(int lags, double step, double sigma) {
  // The integral over frequency in closed cosine sums; fine enough for the longest lag.
  const double nyquist = 0.5 / step;
  const int terms = 8 * lags;
  std::vector<double> filter(static_cast<std::size_t>(lags), 0.0);
  const double df = nyquist / terms;
  for (int n = 0; n < terms; ++n) {
    const double f = (n + 0.5) * df;
    const double weight = 2 * f * std::exp(-2 * std::pow(std::numbers::pi * f * sigma, 2)) * df;
    // cos((lag + 1) x) = 2 cos(x) cos(lag x) - cos((lag - 1) x)
    const double c = std::cos(2 * std::numbers::pi * f * step);
    double before = c, now = 1;
    for (double& value : filter) {
      value += weight * now;
      const double next = 2 * c * now - before;
      before = now;
      now = next;
    }
  }
  return filter;
}

void backProject(std::vector<float>& picture, int nx, int ny, double pixel, const std::vector<float>& filtered,
                 int half, double step, double c, double d, float scale) {
  const float dx = static_cast<float>(c * pixel / step);
  for (int j = 0; j < ny; ++j) {
    const float t = static_cast<float>(((-(nx - 1) / 2.0) * c + (j - (ny - 1) / 2.0) * d) * pixel / step + half);
    float* row = picture.data() + static_cast<std::size_t>(j) * static_cast<std::size_t>(nx);
    for (int i = 0; i < nx; ++i) {
      const float at = t + dx * static_cast<float>(i);
      const int n = static_cast<int>(at);
      const float share = at - static_cast<float>(n);
      const float* f = filtered.data() + n;
      row[i] += scale * (f[0] + share * (f[1] - f[0]));
    }
  }
}

}  // namespace rayset::beam
