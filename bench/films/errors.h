// Errors of many scenes, to be summed up.
#pragma once

#include <algorithm>
#include <vector>

namespace rayset::films_bench {

struct Errors {
  std::vector<double> values;
  void add(double v) { values.push_back(v); }
  [[nodiscard]] double mean() const {
    double sum = 0;
    for (const double v : values) sum += v;
    return values.empty() ? 0 : sum / static_cast<double>(values.size());
  }
  [[nodiscard]] double quantile(double q) {
    if (values.empty()) return 0;
    std::sort(values.begin(), values.end());
    return values[static_cast<std::size_t>(q * static_cast<double>(values.size() - 1))];
  }
};

}  // namespace rayset::films_bench
