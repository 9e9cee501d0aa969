// The figures of a set of runs against stored ones: nothing may get worse unnoticed.
#pragma once

#include <filesystem>
#include <string>
#include <vector>

#include "base/result.h"
#include "summary.h"

namespace rayset::accuracy {

/// Writes the figures of these runs and the keys of the runs they hold for.
[[nodiscard]] Status writeBaseline(const std::filesystem::path& file, const std::vector<Record>& records);

struct Comparison {
  std::vector<std::string> lines;      ///< a table of every figure
  std::vector<std::string> regressed;  ///< what is worse than allowed, in words; empty: nothing
};

/// A figure regresses when it is worse than the stored one by more than 10 % and by more than a slack. Runs are
/// deterministic on one machine, but other processors and library builds round differently, and a search may then stop
/// in the next step beside; the slack is what such a step can do: 0.01 mm and 0.1 degrees for means, 0.05 mm and 0.3
/// degrees for the worst of some fifty rays or a hundred bones. Counts (bones not right, failed runs, wrong patterns,
/// uninjured called injured, devices not sound) have none: one more is a regression. Fails where the file cannot be
/// read or holds for other runs.
[[nodiscard]] Result<Comparison> compareWithBaseline(const std::filesystem::path& file,
                                                     const std::vector<Record>& records);

}  // namespace rayset::accuracy
