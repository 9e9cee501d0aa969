// All kinds of edits, and the one replay of a history, for the workspace, the server and the command line.
#pragma once

#include <filesystem>
#include <string>
#include <vector>

#include "base/message.h"
#include "language/words.h"
#include "workspace/edit_kind.h"

namespace rayset {

/// In the order of the docs.
[[nodiscard]] const std::vector<EditKind>& editKinds();
/// Null if unknown.
[[nodiscard]] const EditKind* findEditKind(const std::string& name);

/// Checks a payload from outside (fields, ranges, ids that exist); computes nothing. kRequest in words.
[[nodiscard]] Status checkEdit(const EditContext& context, const std::string& kind, const EditJson& payload);

/// A row of a case's history, as in the library and in case.json.
struct HistoryEntry {
  std::int64_t seq = 0;
  std::string kind;
  EditJson payload;
  bool active = true;  ///< not undone
};
/// Whether rows of this kind are edits; the others are the library's own (undo) and results (import).
[[nodiscard]] bool isEdit(const std::string& kind);
/// Whether edits of this kind lapse when other images are imported; whether they make devices or rays differ from the
/// plan.
[[nodiscard]] bool lapsesWithImages(const std::string& kind);
[[nodiscard]] bool changesPlan(const std::string& kind);

/// The edits in force, in order: not undone, and made for the images imported last. `Row` has the members of
/// HistoryEntry; the library's rows do, so that only payloads in force are copied.
template <class Row>
[[nodiscard]] std::vector<CaseEdit> editsInForce(const std::vector<Row>& history) {
  std::int64_t first = 0;
  for (const Row& h : history)
    if (h.active && h.kind == "import" && h.payload.value("part", "") == "images") first = h.seq;
  std::vector<CaseEdit> edits;
  for (const Row& h : history)
    if (h.active && isEdit(h.kind) && (h.seq >= first || !lapsesWithImages(h.kind)))
      edits.push_back({h.seq, h.kind, h.payload});
  return edits;
}
/// The history of a case.json (rayset.case/1) that the workstation exported. kRequest naming file and place.
[[nodiscard]] Result<std::vector<HistoryEntry>> readHistory(const std::filesystem::path& file);

/// The state with these edits applied (those in force, in order). Edits that no longer fit are left out, with a
/// caution. With a plan it starts from plannedState(); without one, edits of a plan are skipped.
[[nodiscard]] EditState replayEdits(const std::vector<CaseEdit>& edits);
[[nodiscard]] EditState replayEdits(const std::vector<CaseEdit>& edits, const Case& planned,
                                    const std::string& plan_key);

/// One edit in words, for the history: "S2 placed by hand". `steps`: for their titles.
[[nodiscard]] Message editWords(const std::string& kind, const EditJson& payload, const std::vector<StepTitle>& steps);

/// The table of docs/edits.md.
[[nodiscard]] std::string editKindsMarkdown(const Words& words);

}  // namespace rayset
