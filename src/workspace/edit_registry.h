// All kinds of edits, and the one replay of a history, for the workspace, the server and the command line.
#pragma once

#include <filesystem>
#include <string>
#include <vector>

#include "workspace/edit_kind.h"

namespace rayset {

/// In the order of the docs.
[[nodiscard]] const std::vector<EditKind>& editKinds();
/// Null: unknown.
[[nodiscard]] const EditKind* findEditKind(const std::string& name);

/// Checks a payload from outside (fields, ranges, ids that exist); computes nothing. kRequest in words.
[[nodiscard]] Status checkEdit(const EditContext& context, const std::string& kind, const EditJson& payload);

/// A row of a case's history, as the library and case.json have it.
struct HistoryEntry {
  std::int64_t seq = 0;
  std::string kind;
  EditJson payload;
  bool active = true;  ///< not undone
};
/// The edits in force, in order: not undone, and of the images imported last.
[[nodiscard]] std::vector<CaseEdit> editsInForce(const std::vector<HistoryEntry>& history);
/// The history of a case.json (rayset.case/1) that the workstation exported. kRequest naming file and place.
[[nodiscard]] Result<std::vector<HistoryEntry>> readHistory(const std::filesystem::path& file);

/// The state under these edits (those in force, in order). Edits that no longer fit are left out, with a caution. With
/// a plan: from plannedState(). Without: edits of a plan are passed over.
[[nodiscard]] EditState replayEdits(const std::vector<CaseEdit>& edits);
[[nodiscard]] EditState replayEdits(const std::vector<CaseEdit>& edits, const Case& planned,
                                    const std::string& plan_key);

/// One edit in words, for the history: "S2 placed by hand". `steps`: for their titles.
[[nodiscard]] std::string editWords(const std::string& kind, const EditJson& payload,
                                    const std::vector<StepTitle>& steps);

/// The table of docs/edits.md.
[[nodiscard]] std::string editKindsMarkdown();

}  // namespace rayset
