// The cases being viewed: combines what the library stores and what the workspace computes into the state of the
// interface (docs/decisions/workstation.md). Keeps the newest few planned cases open, so that views and edits are
// quick.
#pragma once

#include <array>
#include <cstdint>
#include <filesystem>
#include <functional>
#include <list>
#include <memory>
#include <mutex>
#include <nlohmann/json.hpp>
#include <optional>
#include <shared_mutex>
#include <string>
#include <vector>

#include "base/result.h"
#include "server/jobs.h"
#include "store/library.h"
#include "workspace/edit_kind.h"
#include "workspace/open_case.h"
#include "workspace/views.h"

namespace rayset::server {

using Json = nlohmann::ordered_json;

/// Facts from the history of a case, without opening its plan.
struct CaseFacts {
  std::string name;
  std::optional<HistoryRow> images, other, plan;  ///< the newest; `plan` only if made from these images
  Json films = Json::array();                     ///< of the patient, in the order given, as takeFilms() writes them
  std::vector<HistoryRow> checks;                 ///< rows of `verify` since the images
  std::vector<CaseEdit> edits;                    ///< in force and of these images, in order
  EditState said;                                 ///< their replay without a plan
  bool changed_by_hand = false;                   ///< devices or rays are not as planned
  [[nodiscard]] std::string edition() const;      ///< differs where devices or rays do
  [[nodiscard]] bool stale() const;               ///< a new plan would use other bone edits or another foot
  [[nodiscard]] std::vector<std::string> filmIds() const;
};
[[nodiscard]] CaseFacts factsOf(const CaseRow& row, const std::vector<HistoryRow>& history);
/// One row of the history in words. `steps`: of the plan as edited, for their titles.
[[nodiscard]] Message wordsOf(const HistoryRow& row, const std::vector<StepTitle>& steps);

class OpenCases {
 public:
  /// `resources` outlives it.
  OpenCases(Library& library, const Jobs& jobs, const Resources& resources);
  ~OpenCases();

  [[nodiscard]] Result<Json> state(const std::string& id);
  /// Checks, completes and stores an edit; {"seq", "state"}. `token` as in Library::append(): an edit sent twice is
  /// answered twice and stored once.
  [[nodiscard]] Result<Json> edit(const std::string& id, const std::string& kind, const Json& payload,
                                  const std::string& token = {});
  [[nodiscard]] Result<Json> tryEdit(const std::string& id, const std::string& kind, const Json& payload);
  /// kRequest if there is nothing to undo (redo).
  [[nodiscard]] Result<Json> undo(const std::string& id, const std::string& token = {});
  [[nodiscard]] Result<Json> redo(const std::string& id, const std::string& token = {});

  /// Creates a case with this name; returns its state.
  [[nodiscard]] Result<Json> create(const std::string& name);

  /// Keeps a planned case open, and unchanged, for as long as this lives.
  struct View {
    std::shared_ptr<void> keep;
    std::shared_lock<std::shared_mutex> lock;
    const Case* edited = nullptr;
    const Slicer* slicer = nullptr;      ///< null unless asked for
    const FilmStudio* studio = nullptr;  ///< null unless asked for
    std::int64_t plan = 0;               ///< number of the plan: row of the history
    std::int64_t seq = 0;                ///< the newest row applied
  };
  enum class Needs { kCase, kVolumes, kSlicer, kStudio };
  /// kRequest if the case is not planned.
  [[nodiscard]] Result<View> view(const std::string& id, Needs needs);

  /// Folder with the plan as edited, written as planInto() does; the plan's own if nothing was changed by hand. Made on
  /// first request, which takes as long as a report.
  [[nodiscard]] Result<std::filesystem::path> editedPlan(const std::string& id);
  /// Folder with simulated films of it, as viewsInto() writes them. Made on first request.
  [[nodiscard]] Result<std::filesystem::path> films(const std::string& id);

  /// Runs `change` (which moves folders) while nobody reads the open case.
  [[nodiscard]] Status exclusively(const std::string& id, const std::function<Status()>& change);
  [[nodiscard]] Result<CaseFacts> facts(const std::string& id) const;

 private:
  struct Open;
  std::shared_ptr<Open> openOf(const std::string& id);
  Status refresh(const std::string& id, Open& open, const CaseFacts& facts, std::int64_t seq);
  Result<Json> stateLocked(const std::string& id, Open& open);
  Result<std::filesystem::path> editedPlanLocked(const std::string& id);
  Result<Json> answered(const std::string& id, std::int64_t seq);
  Result<Json> turned(const std::string& id, bool back, const std::string& token);
  Result<Json> completed(const Open& open, const CaseFacts& facts, const std::string& kind, const Json& payload);

  Library& library_;
  const Jobs& jobs_;
  const Resources& resources_;
  const Words words_;  ///< for the page
  std::mutex mutex_;
  std::list<std::shared_ptr<Open>> open_;  ///< newest first
  std::mutex exporting_;
};

/// The parts that files can be uploaded as.
inline constexpr std::array<const char*, 4> kParts{"images", "other", "films", "followup"};
/// Sizes and names of files uploaded but not imported.
[[nodiscard]] Json uploadsOf(const std::filesystem::path& case_folder);
[[nodiscard]] std::filesystem::path uploadFolder(const std::filesystem::path& case_folder, const std::string& part);

}  // namespace rayset::server
