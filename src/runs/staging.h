// Results are never half-written: they go into a hidden folder beside the target, which is renamed once complete.
#pragma once

#include <filesystem>
#include <string>

#include "base/json_file.h"
#include "base/result.h"

namespace rayset {

class Staging {
 public:
  /// Prepares to write into `target`. An existing target is replaced only when it is an empty folder, or holds `mark`
  /// (the file that identifies our own results, e.g. "plan.json") and replacing it is allowed (`force`, or `mark` is
  /// present).
  [[nodiscard]] static Result<Staging> open(const std::filesystem::path& target, const std::string& mark, bool force);
  Staging(Staging&& other) noexcept;
  Staging& operator=(Staging&&) = delete;
  Staging(const Staging&) = delete;
  Staging& operator=(const Staging&) = delete;
  /// Removes what was written unless commit() succeeded.
  ~Staging();

  [[nodiscard]] const std::filesystem::path& folder() const { return folder_; }
  /// Moves the folder to the target's place; the earlier result is removed only after that has succeeded.
  [[nodiscard]] Status commit();

 private:
  Staging(std::filesystem::path target, std::filesystem::path folder)
      : target_(std::move(target)), folder_(std::move(folder)) {}
  std::filesystem::path target_, folder_;
};

}  // namespace rayset
