#include "xray/film_normal.h"

#include <algorithm>
#include <cmath>

namespace rayset {
namespace {

constexpr double kFloor = 0.15;  // flat stretches (soft tissue, background) are not blown up to full contrast
constexpr float kSomething = 0.05F;
constexpr std::size_t kKnots = 33;

int boxRadius(int sigma) {
  // Three boxes of radius r have variance r (r + 1).
  return std::max(1, static_cast<int>(std::lround(0.5 * (std::sqrt(1 + 4.0 * sigma * sigma) - 1))));
}

void boxRows(const Film& in, Film& out, int radius) {
  const float scale = 1.0F / static_cast<float>(2 * radius + 1);
  for (int r = 0; r < in.rows; ++r) {
    const float* from = in.row(r);
    float* to = out.row(r);
    double sum = 0;
    for (int c = 0; c < std::min(radius, in.columns); ++c) sum += static_cast<double>(from[c]);
    for (int c = 0; c < in.columns; ++c) {
      if (c + radius < in.columns) sum += static_cast<double>(from[c + radius]);
      if (c - radius - 1 >= 0) sum -= static_cast<double>(from[c - radius - 1]);
      to[c] = static_cast<float>(sum) * scale;
    }
  }
}

void boxColumns(const Film& in, Film& out, int radius) {
  const float scale = 1.0F / static_cast<float>(2 * radius + 1);
  std::vector<double> sum(static_cast<std::size_t>(in.columns), 0.0);
  for (int r = 0; r < std::min(radius, in.rows); ++r)
    for (int c = 0; c < in.columns; ++c) sum[static_cast<std::size_t>(c)] += static_cast<double>(in.at(c, r));
  for (int r = 0; r < in.rows; ++r) {
    const float* add = r + radius < in.rows ? in.row(r + radius) : nullptr;
    const float* drop = r - radius - 1 >= 0 ? in.row(r - radius - 1) : nullptr;
    float* to = out.row(r);
    for (int c = 0; c < in.columns; ++c) {
      double& s = sum[static_cast<std::size_t>(c)];
      if (add != nullptr) s += static_cast<double>(add[c]);
      if (drop != nullptr) s -= static_cast<double>(drop[c]);
      to[c] = static_cast<float>(s) * scale;
    }
  }
}

}  // namespace

Film binned(const Film& in, int factor) {
  if (factor <= 1) return in;
  Film out(in.columns / factor, in.rows / factor);
  const float scale = 1.0F / static_cast<float>(factor * factor);
  for (int r = 0; r < out.rows; ++r)
    for (int c = 0; c < out.columns; ++c) {
      float sum = 0;
      for (int y = 0; y < factor; ++y)
        for (int x = 0; x < factor; ++x) sum += in.at(c * factor + x, r * factor + y);
      out.at(c, r) = sum * scale;
    }
  return out;
}

Film cropped(const Film& in, const PixelBox& box) {
  Film out(box.columns, box.rows);
  for (int r = 0; r < box.rows; ++r) {
    const float* from = in.row(box.row + r) + box.column;
    std::copy(from, from + box.columns, out.row(r));
  }
  return out;
}

Film dilated(const Film& in, int radius) {
  Film a(in.columns, in.rows), b(in.columns, in.rows), ones(in.columns, in.rows);
  for (std::size_t i = 0; i < in.values.size(); ++i) ones.values[i] = in.values[i] > 0 ? 1.F : 0.F;
  boxRows(ones, a, radius);
  boxColumns(a, b, radius);
  const float least = 0.5F / static_cast<float>((2 * radius + 1) * (2 * radius + 1));
  for (float& v : b.values) v = v > least ? 1.F : 0.F;
  return b;
}

int reach(int sigma) { return 3 * boxRadius(sigma); }

Film blurred(const Film& in, int sigma) {
  const int radius = boxRadius(sigma);
  Film a(in.columns, in.rows), b(in.columns, in.rows);
  boxRows(in, a, radius);
  boxRows(a, b, radius);
  boxRows(b, a, radius);
  boxColumns(a, b, radius);
  boxColumns(b, a, radius);
  boxColumns(a, b, radius);
  return b;
}

Normalised normalised(const Film& in, const Film& usable, int sigma) {
  Normalised out;
  out.values = Film(in.columns, in.rows);
  out.spread = Film(in.columns, in.rows, 1);
  const std::size_t n = in.values.size();
  // Squares are taken about a mean of all, so that they stay small.
  double sum = 0, count = 0;
  for (std::size_t i = 0; i < n; ++i) {
    if (usable.values[i] > 0) sum += static_cast<double>(in.values[i]), count += 1;
  }
  const auto middle = static_cast<float>(count > 0 ? sum / count : 0);
  Film one(in.columns, in.rows), two(in.columns, in.rows);
  for (std::size_t i = 0; i < n; ++i) {
    if (usable.values[i] <= 0) continue;
    const float v = in.values[i] - middle;
    one.values[i] = v;
    two.values[i] = v * v;
  }
  const Film share = blurred(usable, sigma), mean = blurred(one, sigma), square = blurred(two, sigma);
  std::vector<float> spreads;
  for (std::size_t i = 0; i < n; ++i) {
    if (usable.values[i] <= 0 || share.values[i] < 1e-3F) continue;
    const float m = mean.values[i] / share.values[i];
    const float v = square.values[i] / share.values[i] - m * m;
    out.values.values[i] = one.values[i] - m;
    out.spread.values[i] = std::sqrt(std::max(0.F, v));
    if (i % 7 == 0) spreads.push_back(out.spread.values[i]);
  }
  float floor = 1e-6F;
  if (!spreads.empty()) {
    auto high = spreads.begin() + static_cast<std::ptrdiff_t>(spreads.size() * 9 / 10);
    std::nth_element(spreads.begin(), high, spreads.end());
    floor = std::max(floor, static_cast<float>(kFloor) * *high);
  }
  for (std::size_t i = 0; i < n; ++i) {
    out.spread.values[i] = std::hypot(out.spread.values[i], floor);
    out.values.values[i] /= out.spread.values[i];
  }
  return out;
}

void normaliseDerivative(Film& d, const Film& usable, const Film& share, const Film& spread, int sigma) {
  for (std::size_t i = 0; i < d.values.size(); ++i) d.values[i] *= usable.values[i];
  const Film mean = blurred(d, sigma);
  for (std::size_t i = 0; i < d.values.size(); ++i) {
    if (usable.values[i] <= 0 || share.values[i] < 1e-3F) {
      d.values[i] = 0;
      continue;
    }
    d.values[i] = (d.values[i] - mean.values[i] / share.values[i]) / spread.values[i];
  }
}

void GreyScale::apply(float value, float& grey, float& slope) const {
  const auto it = std::upper_bound(from.begin(), from.end(), value);
  std::size_t n = static_cast<std::size_t>(it - from.begin());
  n = std::clamp<std::size_t>(n, 1, from.size() - 1);
  const float width = from[n] - from[n - 1];
  slope = width > 0 ? (to[n] - to[n - 1]) / width : 0;
  grey = to[n - 1] + slope * (value - from[n - 1]);
}

GreyScale matchHistograms(const Film& source, const Film& target, const Film& inside) {
  std::vector<float> a, b;
  for (std::size_t i = 0; i < source.values.size(); ++i) {
    if (inside.values[i] <= 0 || source.values[i] < kSomething) continue;
    a.push_back(source.values[i]);
  }
  std::vector<float> all;
  for (std::size_t i = 0; i < target.values.size(); ++i)
    if (inside.values[i] > 0) all.push_back(target.values[i]);
  GreyScale out;
  if (a.size() < kKnots || all.size() < a.size()) {
    out.from = {0, 1};
    out.to = {0, 1};
    return out;
  }
  // As many of the film's brightest pixels as the prediction has pixels with anything in them.
  std::sort(all.begin(), all.end());
  std::sort(a.begin(), a.end());
  b.assign(all.end() - static_cast<std::ptrdiff_t>(a.size()), all.end());
  const auto at = [](const std::vector<float>& v, double q) {
    return v[std::min(v.size() - 1, static_cast<std::size_t>(q * static_cast<double>(v.size() - 1)))];
  };
  for (std::size_t k = 0; k < kKnots; ++k) {
    const double q = static_cast<double>(k) / static_cast<double>(kKnots - 1);
    const float x = at(a, q), y = at(b, q);
    if (!out.from.empty() && x <= out.from.back() + 1e-5F) {
      out.to.back() = std::max(out.to.back(), y);
      continue;
    }
    out.from.push_back(x);
    out.to.push_back(out.to.empty() ? y : std::max(y, out.to.back()));
  }
  if (out.from.size() < 2) {
    out.from = {0, 1};
    out.to = {0, 1};
  }
  return out;
}

float brightest(const Film& in, const Film& inside, std::size_t count) {
  std::vector<float> all;
  for (std::size_t i = 0; i < in.values.size(); ++i)
    if (inside.values[i] > 0) all.push_back(in.values[i]);
  if (all.empty() || count == 0) return std::numeric_limits<float>::infinity();
  count = std::min(count, all.size());
  auto at = all.end() - static_cast<std::ptrdiff_t>(count);
  std::nth_element(all.begin(), at, all.end());
  return *at;
}

}  // namespace rayset
