#include "xray/film_normal.h"

#include <tbb/parallel_invoke.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <span>

#include "base/wide.h"

namespace rayset {
namespace {

constexpr double kFloor = 0.15;  // flat stretches (soft tissue, background) are not blown up to full contrast
constexpr float kSomething = 0.05F;
constexpr std::size_t kKnots = 33;

int boxRadius(int sigma) {
  // Three boxes of radius r have variance r (r + 1).
  return std::max(1, static_cast<int>(std::lround(0.5 * (std::sqrt(1 + 4.0 * sigma * sigma) - 1))));
}

/// Whether a usable pixel has enough usable ones around it for a mean.
bool counts(float usable, float share) { return usable > 0 && share >= 1e-3F; }

/// Running means of the rows, `times` over. Eight rows at a time, interleaved, so that every addition is one of eight
/// and none waits for the previous one in its row.
RAYSET_WIDE void boxRows(const Film& in, Film& out, int radius, int times) {
  constexpr std::size_t kTogether = 8;
  using Lanes = std::array<float, kTogether>;
  const float scale = 1.0F / static_cast<float>(2 * radius + 1);
  const auto columns = static_cast<std::size_t>(in.columns), reach = static_cast<std::size_t>(radius);
  std::vector<Lanes> from(columns), to(columns);
  for (int first = 0; first < in.rows; first += static_cast<int>(kTogether)) {
    const std::size_t count = std::min(kTogether, static_cast<std::size_t>(in.rows - first));
    for (std::size_t k = 0; k < kTogether; ++k) {  // beyond the last row the last row again
      const float* row = in.row(first + static_cast<int>(std::min(k, count - 1)));
      for (std::size_t c = 0; c < columns; ++c) from[c][k] = row[c];
    }
    for (int pass = 0; pass < times; ++pass) {
      Lanes sum{};
      const auto each = [](const auto& f) {
        for (std::size_t k = 0; k < kTogether; ++k) f(k);
      };
      for (std::size_t c = 0; c < std::min(reach, columns); ++c) each([&](std::size_t k) { sum[k] += from[c][k]; });
      for (std::size_t c = 0; c < columns; ++c) {
        if (c + reach < columns) each([&](std::size_t k) { sum[k] += from[c + reach][k]; });
        if (c > reach) each([&](std::size_t k) { sum[k] -= from[c - reach - 1][k]; });
        each([&](std::size_t k) { to[c][k] = sum[k] * scale; });
      }
      from.swap(to);
    }
    for (std::size_t k = 0; k < count; ++k) {
      float* row = out.row(first + static_cast<int>(k));
      for (std::size_t c = 0; c < columns; ++c) row[c] = from[c][k];
    }
  }
}

RAYSET_WIDE void boxColumns(const Film& in, Film& out, int radius) {
  const float scale = 1.0F / static_cast<float>(2 * radius + 1);
  const auto columns = static_cast<std::size_t>(in.columns);
  std::vector<float> sum(columns, 0.0F);
  for (int r = 0; r < std::min(radius, in.rows); ++r) {
    const float* add = in.row(r);
    for (std::size_t c = 0; c < columns; ++c) sum[c] += add[c];
  }
  for (int r = 0; r < in.rows; ++r) {
    if (r + radius < in.rows) {
      const float* add = in.row(r + radius);
      for (std::size_t c = 0; c < columns; ++c) sum[c] += add[c];
    }
    if (r - radius - 1 >= 0) {
      const float* drop = in.row(r - radius - 1);
      for (std::size_t c = 0; c < columns; ++c) sum[c] -= drop[c];
    }
    float* to = out.row(r);
    for (std::size_t c = 0; c < columns; ++c) to[c] = sum[c] * scale;
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

double resampled(const Film& in, int column, int row, double step) {
  const Eigen::Vector2d last(in.columns - 1.0, in.rows - 1.0);
  const Eigen::Vector2d at = ((Eigen::Vector2d(column, row).array() + 0.5) * step - 0.5).matrix();
  return valueAt(in, at.cwiseMax(0).cwiseMin(last)).value_or(0);
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
  boxRows(ones, a, radius, 1);
  boxColumns(a, b, radius);
  const float least = 0.5F / static_cast<float>((2 * radius + 1) * (2 * radius + 1));
  for (float& v : b.values) v = v > least ? 1.F : 0.F;
  return b;
}

int reach(int sigma) { return 3 * boxRadius(sigma); }

Film blurred(const Film& in, int sigma) {
  const int radius = boxRadius(sigma);
  Film a(in.columns, in.rows), b(in.columns, in.rows);
  boxRows(in, a, radius, 3);
  boxColumns(a, b, radius);
  boxColumns(b, a, radius);
  boxColumns(a, b, radius);
  return b;
}

Film gaussian(const Film& in, double sigma) {
  const int reach = static_cast<int>(std::ceil(3 * sigma));
  std::vector<float> weights;
  float total = 0;
  for (int d = -reach; d <= reach; ++d)
    total += weights.emplace_back(static_cast<float>(std::exp(-0.5 * d * d / (sigma * sigma))));
  for (float& w : weights) w /= total;
  Film across(in.columns, in.rows), out(in.columns, in.rows);
  for (int d = -reach; d <= reach; ++d) {
    const float w = weights[static_cast<std::size_t>(d + reach)];
    for (int r = 0; r < in.rows; ++r) {
      const float* from = in.row(r);
      float* to = across.row(r);
      for (int c = 0; c < in.columns; ++c) to[c] += w * from[std::clamp(c + d, 0, in.columns - 1)];
    }
  }
  for (int d = -reach; d <= reach; ++d) {
    const float w = weights[static_cast<std::size_t>(d + reach)];
    for (int r = 0; r < in.rows; ++r) {
      const float* from = across.row(std::clamp(r + d, 0, in.rows - 1));
      float* to = out.row(r);
      for (int c = 0; c < in.columns; ++c) to[c] += w * from[c];
    }
  }
  return out;
}

RAYSET_WIDE Normalised normalised(const Film& in, const Film& usable, int sigma, const Film* share) {
  Normalised out;
  out.values = Film(in.columns, in.rows);
  out.spread = Film(in.columns, in.rows, 1);
  const std::size_t n = in.values.size();
  // Squares are taken about the overall mean to keep them small.
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
  Film own_share, mean, square;
  tbb::parallel_invoke(
      [&] {
        if (share == nullptr) own_share = blurred(usable, sigma);
      },
      [&] { mean = blurred(one, sigma); }, [&] { square = blurred(two, sigma); });
  if (share == nullptr) share = &own_share;
  // Without branches, for vectors of pixels.
  const float *use = usable.values.data(), *part = share->values.data();
  for (std::size_t i = 0; i < n; ++i) {
    const bool here = counts(use[i], part[i]);
    const float divisor = here ? part[i] : 1.0F;
    const float m = mean.values[i] / divisor;
    const float v = square.values[i] / divisor - m * m;
    out.values.values[i] = here ? one.values[i] - m : 0.0F;
    out.spread.values[i] = here ? std::sqrt(v > 0 ? v : 0.0F) : 1.0F;
  }
  std::vector<float> spreads;
  for (std::size_t i = 0; i < n; i += 7)
    if (counts(use[i], part[i])) spreads.push_back(out.spread.values[i]);
  float floor = 1e-6F;
  if (!spreads.empty()) {
    auto high = spreads.begin() + static_cast<std::ptrdiff_t>(spreads.size() * 9 / 10);
    std::nth_element(spreads.begin(), high, spreads.end());
    floor = std::max(floor, static_cast<float>(kFloor) * *high);
  }
  for (std::size_t i = 0; i < n; ++i) {
    out.spread.values[i] = std::sqrt(out.spread.values[i] * out.spread.values[i] + floor * floor);
    out.values.values[i] /= out.spread.values[i];
  }
  return out;
}

RAYSET_WIDE void normaliseDerivative(Film& d, const Film& usable, const Film& share, const Film& spread,
                                     const Film& values, int sigma) {
  for (std::size_t i = 0; i < d.values.size(); ++i) d.values[i] *= usable.values[i];
  const Film mean = blurred(d, sigma);
  for (std::size_t i = 0; i < d.values.size(); ++i) {
    const bool here = counts(usable.values[i], share.values[i]);
    const float own = (d.values[i] - mean.values[i] / (here ? share.values[i] : 1.0F)) / spread.values[i];
    d.values[i] = here ? own : 0.0F;
  }
  Film along(d.columns, d.rows);
  for (std::size_t i = 0; i < d.values.size(); ++i) along.values[i] = d.values[i] * values.values[i];
  const Film spreads = blurred(along, sigma);  // how the spread grows, over itself
  for (std::size_t i = 0; i < d.values.size(); ++i)
    if (counts(usable.values[i], share.values[i]))
      d.values[i] -= values.values[i] * spreads.values[i] / share.values[i];
}

GreyScale::GreyScale(const std::vector<float>& from, const std::vector<float>& to) {
  if (from.size() < 2) {
    *this = GreyScale();
    return;
  }
  low_ = from.front();
  per_unit_ = static_cast<float>(kBuckets) / (from.back() - from.front());
  for (std::size_t n = 0; n + 1 < from.size(); ++n) {
    const float width = from[n + 1] - from[n];
    const bool last = n + 2 == from.size();
    pieces_.push_back({from[n], last ? std::numeric_limits<float>::infinity() : from[n + 1], to[n],
                       width > 0 ? (to[n + 1] - to[n]) / width : 0.0F});
  }
  std::size_t piece = 0;
  for (std::size_t b = 0; b < kBuckets; ++b) {
    // Rounding may put a value into the bucket beside its own: starting one piece early still finds it.
    const float low = low_ + (static_cast<float>(b) - 0.5F) / per_unit_;
    while (pieces_[piece].end <= low) ++piece;
    first_[b] = static_cast<std::uint8_t>(piece);
  }
}

GreyScale GreyScale::inverse() const {
  constexpr float kLeastRise = 1e-5F;  // of the whole range: from one value to the next of the same grey
  const Piece& last = pieces_.back();
  std::vector<float> from, to;
  const auto add = [&](float grey, float value) {
    from.push_back(from.empty() ? grey : std::max(grey, from.back() + kLeastRise * (last.to - pieces_.front().to)));
    to.push_back(value);
  };
  for (const Piece& p : pieces_) add(p.to, p.from);
  const float beyond = last.from - pieces_.front().from + 1;
  add(last.to + last.slope * beyond, last.from + beyond);
  return {from, to};
}

std::vector<float> sortedValues(const Film& in, const Film& inside) {
  std::vector<float> all;
  for (std::size_t i = 0; i < in.values.size(); ++i)
    if (inside.values[i] > 0) all.push_back(in.values[i]);
  std::sort(all.begin(), all.end());
  return all;
}

GreyScale matchHistograms(const Film& source, const std::vector<float>& target, const Film& inside) {
  // Quantiles of the source from a fine histogram: sorting hundreds of thousands of pixels took longer than drawing
  // them.
  constexpr std::size_t kBins = 8192;
  float high = kSomething;
  for (std::size_t i = 0; i < source.values.size(); ++i)
    if (inside.values[i] > 0) high = std::max(high, source.values[i]);
  std::vector<std::uint32_t> bins(kBins, 0);
  const float per_unit = (static_cast<float>(kBins) - 0.5F) / std::max(1e-6F, high - kSomething);
  std::size_t count = 0;
  for (std::size_t i = 0; i < source.values.size(); ++i) {
    if (inside.values[i] <= 0 || source.values[i] < kSomething) continue;
    ++bins[static_cast<std::size_t>((source.values[i] - kSomething) * per_unit)];
    ++count;
  }
  if (count < kKnots || target.size() < count) return {};
  // As many of the film's brightest pixels as the prediction has pixels with anything in them.
  const std::span<const float> bright = std::span(target).last(count);
  std::vector<float> from, to;
  std::size_t bin = 0, below = 0;  // in bins before `bin`
  for (std::size_t k = 0; k < kKnots; ++k) {
    const double q = static_cast<double>(k) / static_cast<double>(kKnots - 1);
    const auto rank = static_cast<std::size_t>(q * static_cast<double>(count - 1));
    while (below + bins[bin] <= rank) below += bins[bin++];
    const float within = (static_cast<float>(rank - below) + 0.5F) / static_cast<float>(bins[bin]);
    const float x = kSomething + (static_cast<float>(bin) + within) / per_unit, y = bright[rank];
    if (!from.empty() && x <= from.back() + 1e-5F) {
      to.back() = std::max(to.back(), y);
      continue;
    }
    from.push_back(x);
    to.push_back(to.empty() ? y : std::max(y, to.back()));
  }
  return {from, to};
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
