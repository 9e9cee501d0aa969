#include "films/snap.h"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <vector>

#include "base/median.h"

namespace rayset {

double greyRange(const Film& film, int left, int top, int right, int bottom) {
  std::vector<float> sample;
  const int step = std::max(
      1, static_cast<int>(std::sqrt(static_cast<double>(right - left) * static_cast<double>(bottom - top) / 4e4)));
  for (int r = top; r < bottom; r += step)
    for (int c = left; c < right; c += step) sample.push_back(film.at(c, r));
  if (sample.empty()) return 0;
  std::sort(sample.begin(), sample.end());
  const auto at = [&](double p) {
    return static_cast<double>(sample[static_cast<std::size_t>(p * static_cast<double>(sample.size() - 1))]);
  };
  return at(0.99) - at(0.01);
}

SnapResult snapToEdge(const Film& film, const Vec2& point, const Vec2& out_mm, const Vec2& pixel_mm, double range,
                      const SnapSettings& s) {
  SnapResult result{false, point, 0, 0};
  const double length = out_mm.norm();
  if (!(length > 0) || film.empty()) return result;
  const Vec2 out = out_mm / length, along(-out.y(), out.x());
  const Vec2 given = point.cwiseProduct(pixel_mm);
  const double pixel = std::min(pixel_mm.x(), pixel_mm.y());
  const double step = pixel / 4;
  const double sigma = std::max(s.sigma_mm, 1.2 * pixel);
  const int half = static_cast<int>(std::ceil(3 * sigma / step));  // of the Gaussian
  const int reach = static_cast<int>(std::ceil(s.reach_mm / step));
  const int lines = std::max(1, static_cast<int>(std::lround(s.stretch_mm / pixel / 2)));  // each way

  // Every line of the stretch separately first: their spread gives the noise of the average.
  const int n = 2 * (reach + half) + 1;
  std::vector<double> mean(static_cast<std::size_t>(n), 0), square(static_cast<std::size_t>(n), 0);
  std::vector<int> count(static_cast<std::size_t>(n), 0);
  for (int line = -lines; line <= lines; ++line)
    for (int i = 0; i < n; ++i) {
      const Vec2 mm = given + (i - reach - half) * step * out + line * pixel * along;
      const auto v = valueAt(film, mm.cwiseQuotient(pixel_mm));
      if (!v) continue;
      const auto at = static_cast<std::size_t>(i);
      mean[at] += *v;
      square[at] += *v * *v;
      ++count[at];
    }
  double variance = 0;  // of one sample, pooled over the profile's flat half
  std::vector<double> variances;
  for (std::size_t i = 0; i < mean.size(); ++i) {
    if (count[i] == 0) continue;
    mean[i] /= count[i];
    if (count[i] > 1) variances.push_back(std::max(0.0, square[i] / count[i] - mean[i] * mean[i]) / count[i]);
  }
  if (!variances.empty()) variance = median(std::move(variances));

  std::vector<double> fall(static_cast<std::size_t>(2 * reach + 1), 0);  // -d(grey)/d(out), per mm
  const double norm = step / (std::sqrt(2 * std::numbers::pi) * sigma * sigma * sigma);
  std::vector<double> kernel;
  for (int k = -half; k <= half; ++k) {
    const double t = k * step;
    kernel.push_back(-t * std::exp(-t * t / (2 * sigma * sigma)) * norm);
  }
  for (int i = 0; i <= 2 * reach; ++i) {
    double sum = 0;
    bool whole = true;
    for (int k = 0; k <= 2 * half; ++k) {
      const auto at = static_cast<std::size_t>(i + k);
      if (count[at] == 0) {
        whole = false;
        break;
      }
      sum += kernel[static_cast<std::size_t>(k)] * mean[at];
    }
    fall[static_cast<std::size_t>(i)] = whole ? sum : 0;
  }
  // Noise of the gradient: white noise of the pixels through the kernel; samples closer than a pixel are not new.
  const double energy = 1 / (4 * std::sqrt(std::numbers::pi) * sigma * sigma * sigma);  // of the kernel, per mm
  const double noise = std::sqrt(variance * energy * pixel);
  // A step of height h, smoothed, falls by h / (sqrt(2 pi) sigma) at its steepest.
  const double least =
      std::max(s.least_noise * noise, s.least_contrast * range / (std::sqrt(2 * std::numbers::pi) * sigma));
  double strongest = 0;
  std::vector<int> peaks;
  for (int i = 1; i < 2 * reach; ++i) {
    const auto at = static_cast<std::size_t>(i);
    if (fall[at] < least || fall[at] <= fall[at - 1] || fall[at] < fall[at + 1]) continue;
    peaks.push_back(i);
    strongest = std::max(strongest, fall[at]);
  }
  int best = -1;
  for (const int i : peaks)
    if (fall[static_cast<std::size_t>(i)] >= 0.5 * strongest &&
        (best < 0 || std::abs(i - reach) < std::abs(best - reach)))
      best = i;
  if (best < 0) return result;
  const auto at = static_cast<std::size_t>(best);
  const double bend = fall[at - 1] - 2 * fall[at] + fall[at + 1];
  const double shift = bend < 0 ? std::clamp(0.5 * (fall[at - 1] - fall[at + 1]) / bend, -0.5, 0.5) : 0;
  result.found = true;
  result.moved_mm = (best - reach + shift) * step;
  result.at = (given + result.moved_mm * out).cwiseQuotient(pixel_mm);
  // Noise of the zero of the second derivative over its slope; for a smoothed step the slope is fall / sigma^2 and the
  // noise of the second derivative sqrt(3 / 2) / sigma times that of the first.
  result.sd_mm = std::sqrt(1.5) * sigma * noise / fall[at];
  return result;
}

}  // namespace rayset
