// The limits that measures are judged by, as data (data/limits.json), each with its source and certainty.
#pragma once

#include <filesystem>
#include <map>
#include <optional>
#include <string>
#include <string_view>

#include "base/result.h"

namespace rayset {

enum class Comparison {
  kAbove,            ///< abnormal above the value
  kBelow,            ///< abnormal below the value
  kDifferenceAbove,  ///< abnormal when the magnitude of the side difference is above the value
  kAbsoluteAbove     ///< abnormal when the magnitude is above the value
};

struct Limit {
  std::string key;
  double value = 0;
  std::string unit;
  Comparison comparison = Comparison::kAbove;
  std::string source;
  std::string certainty;  ///< "found", "computed", "memory, high confidence" or "design choice"
  std::string applies_to;
  std::string contradicted_by;  ///< key of the normal value that contradicts this limit; empty: none known
};

/// A value measured on normal feet.
struct NormalValue {
  std::string key;
  double mean = 0;
  std::optional<double> sd;               ///< between people
  std::optional<double> ci_low, ci_high;  ///< 95 % interval of the MEAN, not of people
  int feet = 0;
  std::string unit, source, certainty, applies_to;
};

class Limits {
 public:
  /// Reads a limits file. Errors name the file and the entry.
  [[nodiscard]] static Result<Limits> read(const std::filesystem::path& file);

  /// The limit with that key, or null.
  [[nodiscard]] const Limit* find(std::string_view key) const;
  /// The value of a limit that there is no going on without. kRequest naming the file where it is not there.
  [[nodiscard]] Result<double> value(std::string_view key) const;
  [[nodiscard]] const std::map<std::string, Limit, std::less<>>& all() const { return limits_; }
  /// The normal value with that key, or null.
  [[nodiscard]] const NormalValue* normal(std::string_view key) const;
  [[nodiscard]] const std::map<std::string, NormalValue, std::less<>>& normals() const { return normals_; }

 private:
  std::filesystem::path file_;  ///< where they were read, for errors
  std::map<std::string, Limit, std::less<>> limits_;
  std::map<std::string, NormalValue, std::less<>> normals_;
};

}  // namespace rayset
