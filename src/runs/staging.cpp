#include "runs/staging.h"

#include <fmt/format.h>
#include <unistd.h>

namespace rayset {
namespace fs = std::filesystem;

Result<Staging> Staging::open(const fs::path& target, const std::string& mark, bool force) {
  std::error_code problem;
  const fs::path absolute = fs::absolute(target, problem).lexically_normal();
  const fs::path clean = absolute.has_filename() ? absolute : absolute.parent_path();
  if (fs::exists(clean, problem)) {
    if (!fs::is_directory(clean, problem)) {
      return tl::unexpected(
          Error{Fault::kRequest, "runs.output_file_not_folder", clean.string(), Message("runs.choose_another_folder")});
    }
    const bool ours = fs::exists(clean / mark, problem);
    if (!fs::is_empty(clean, problem) && !ours) {
      return tl::unexpected(Error{Fault::kRequest, Message("runs.output_folder_holds_other_files_no", {{"mark", mark}}),
                                  clean.string(), Message("runs.choose_empty_new_folder")});
    }
    if (ours && !force) {
      return tl::unexpected(Error{Fault::kRequest, "runs.output_folder_holds_earlier_result", clean.string(),
                                  Message("runs.choose_another_folder_have_replaced_force")});
    }
  }
  fs::create_directories(clean.parent_path(), problem);
  const fs::path folder =
      clean.parent_path() / fmt::format(".{}.unfinished-{}", clean.filename().string(), static_cast<long>(getpid()));
  fs::remove_all(folder, problem);
  if (!fs::create_directory(folder, problem)) {
    return tl::unexpected(Error{Fault::kRequest,
                                Message("runs.output_folder_cannot_made", {{"message", problem.message()}}),
                                clean.string(), Message("runs.check_path_permissions")});
  }
  return Staging(clean, folder);
}

Staging::Staging(Staging&& other) noexcept : target_(std::move(other.target_)), folder_(std::move(other.folder_)) {
  other.folder_.clear();
}

Staging::~Staging() {
  std::error_code problem;
  if (!folder_.empty()) fs::remove_all(folder_, problem);
}

Status Staging::commit() {
  std::error_code problem;
  const fs::path old = folder_.string() + "-old";
  const bool had = fs::exists(target_, problem);
  if (had) fs::rename(target_, old, problem);
  if (!problem) fs::rename(folder_, target_, problem);
  if (problem) {
    const std::string why = problem.message();
    if (had && !fs::exists(target_, problem)) fs::rename(old, target_, problem);
    return tl::unexpected(Error{Fault::kInternal, Message("runs.results_could_not_put_place", {{"why", why}}),
                                target_.string(), Message("runs.check_permissions_no_other_program_uses")});
  }
  folder_.clear();
  if (had) fs::remove_all(old, problem);
  return {};
}

}  // namespace rayset
