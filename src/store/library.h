// The case library: one SQLite file for what is said about cases, one folder a case for its images and results.
//
// History is append-only: an edit is a row that is never changed or removed. Undo and redo are rows too; which edits
// are in force follows from reading the rows in order (Library::activeEdits). A call that returned without an error is
// on the disk: the database runs in WAL mode with full synchronisation, so neither a killed process nor a lost power
// line takes back what was acknowledged. Files of a case are written beside their place, synchronised and renamed
// before a row names them.
//
// The library knows nothing of surgery: kinds and payloads of edits are opaque to it. Safe to call from any thread;
// calls are serialised inside. One process at a time per library (a lock file says which).
#pragma once

#include <cstdint>
#include <filesystem>
#include <memory>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <vector>

#include "base/result.h"

namespace rayset {

struct CaseRow {
  std::string id;                  ///< letters and digits, made by the library
  std::string name;                ///< as the last summary had it
  std::string first_name;          ///< as it was made with
  std::string created, updated;    ///< ISO 8601, UTC
  std::int64_t seq = 0;            ///< of the newest row of its history; 0: none
  bool hidden = false;             ///< taken off the list; nothing is removed
  nlohmann::ordered_json summary;  ///< for the list: what the last state said of itself (setSummary)
};

/// One row of the history.
struct HistoryRow {
  std::int64_t seq = 0;  ///< rises over the whole library
  std::string at;        ///< ISO 8601, UTC
  std::string kind;      ///< of the edit; "undo" and "redo" are the library's own
  nlohmann::ordered_json payload;
  std::int64_t target = 0;  ///< undo, redo: the row meant
  bool undoable = true;     ///< false: results of long work (import, plan, verify), which stand
  bool active = true;       ///< as things are now: in force
};

class Library {
 public:
  /// Opens or makes the library in `folder`. kRequest where another process holds it (naming it) or the file is no
  /// library or of a newer version; kInternal where the disk refuses.
  [[nodiscard]] static Result<std::unique_ptr<Library>> open(const std::filesystem::path& folder);
  ~Library();
  Library(const Library&) = delete;
  Library& operator=(const Library&) = delete;

  [[nodiscard]] Result<CaseRow> create(const std::string& name);
  /// Newest change first; `search` (may be empty) is looked for in name, notes and summary, without regard to case.
  [[nodiscard]] Result<std::vector<CaseRow>> list(const std::string& search = {}, bool hidden = false) const;
  /// kRequest where there is no such case.
  [[nodiscard]] Result<CaseRow> find(const std::string& id) const;

  /// Appends an edit; drops what could have been redone. Returns the row. `token`: the sender's own name for what it
  /// sends, unique in the case; what comes again under a name that the history has already gives that row, and nothing
  /// is added. Empty: no name. The same for undo() and redo().
  [[nodiscard]] Result<HistoryRow> append(const std::string& id, const std::string& kind,
                                          const nlohmann::ordered_json& payload, bool undoable = true,
                                          const std::string& token = {});
  /// Takes back the newest edit in force that is undoable, or puts back the last one taken back. nullopt: nothing to
  /// do.
  [[nodiscard]] Result<std::optional<HistoryRow>> undo(const std::string& id, const std::string& token = {});
  [[nodiscard]] Result<std::optional<HistoryRow>> redo(const std::string& id, const std::string& token = {});
  /// The row that came under this name. nullopt: none, or no name.
  [[nodiscard]] Result<std::optional<HistoryRow>> known(const std::string& id, const std::string& token) const;
  /// All rows in order, with `active` set.
  [[nodiscard]] Result<std::vector<HistoryRow>> history(const std::string& id) const;
  /// The edits in force, in order (no undo and redo rows).
  [[nodiscard]] Result<std::vector<HistoryRow>> activeEdits(const std::string& id) const;

  /// The rows that undo() and redo() would take back and put back now.
  struct Turns {
    std::optional<HistoryRow> undo, redo;
  };
  [[nodiscard]] Result<Turns> turns(const std::string& id) const;

  /// Not history, and may be lost: name, notes and figures for the list, derived from the state.
  [[nodiscard]] Status setSummary(const std::string& id, const std::string& name, const std::string& notes, bool hidden,
                                  const nlohmann::ordered_json& summary);

  /// Folder of the case (exists, where the case does).
  [[nodiscard]] std::filesystem::path folder(const std::string& id) const;
  /// Replaces `folder(id) / part` by the finished folder `made` (same file system), or adds it, and appends the row
  /// that says so (not undoable): either both or neither, also when the process is killed in between. Synchronised;
  /// what stood there is kept until that is done, then removed.
  [[nodiscard]] Result<HistoryRow> adopt(const std::string& id, const std::string& part,
                                         const std::filesystem::path& made, const std::string& kind,
                                         const nlohmann::ordered_json& payload);

 private:
  struct Impl;
  explicit Library(std::unique_ptr<Impl> impl);
  std::unique_ptr<Impl> impl_;
};

}  // namespace rayset
