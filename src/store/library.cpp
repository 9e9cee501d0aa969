#include "store/library.h"

#include <fcntl.h>
#include <fmt/format.h>
#include <sys/file.h>
#include <sys/random.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <chrono>
#include <clocale>
#include <ctime>
#include <cwctype>
#include <mutex>

#include "base/utf8.h"
#include "store/database.h"

namespace rayset {
namespace fs = std::filesystem;
using Json = nlohmann::ordered_json;
using store::Database;
using store::Statement;
using store::Transaction;

namespace {

constexpr std::int64_t kMark = 0x52415953;  // "RAYS": PRAGMA application_id of our libraries
constexpr std::int64_t kVersion = 2;        // PRAGMA user_version

// History is append-only, enforced by the database itself.
const char* const kSchema = R"(
CREATE TABLE cases (id TEXT PRIMARY KEY, first_name TEXT NOT NULL, name TEXT NOT NULL, notes TEXT NOT NULL DEFAULT '', created TEXT NOT NULL,
  updated TEXT NOT NULL, hidden INTEGER NOT NULL DEFAULT 0, summary TEXT NOT NULL DEFAULT '{}');
CREATE TABLE history (seq INTEGER PRIMARY KEY AUTOINCREMENT, case_id TEXT NOT NULL REFERENCES cases(id),
  at TEXT NOT NULL, kind TEXT NOT NULL, payload TEXT NOT NULL, target INTEGER NOT NULL DEFAULT 0,
  undoable INTEGER NOT NULL DEFAULT 1);
CREATE INDEX history_by_case ON history(case_id, seq);
CREATE TABLE adoptions (case_id TEXT NOT NULL, part TEXT NOT NULL, made TEXT NOT NULL, inode INTEGER NOT NULL,
  kind TEXT NOT NULL, payload TEXT NOT NULL);
CREATE TRIGGER history_stands BEFORE UPDATE ON history BEGIN SELECT RAISE(ABORT, 'history is never changed'); END;
CREATE TRIGGER history_stays BEFORE DELETE ON history BEGIN SELECT RAISE(ABORT, 'history is never removed'); END;
)";
// Added in version 2: the sender's own name for an edit. New libraries are created as version 1 and upgraded the same
// way.
const char* const kTokens = R"(
ALTER TABLE history ADD COLUMN token TEXT;
CREATE UNIQUE INDEX history_by_token ON history(case_id, token) WHERE token IS NOT NULL;
)";

std::string now() {
  const auto t = std::chrono::system_clock::now();
  const auto ms = std::chrono::duration_cast<std::chrono::milliseconds>(t.time_since_epoch()).count();
  const std::time_t seconds = static_cast<std::time_t>(ms / 1000);
  std::tm utc{};
  gmtime_r(&seconds, &utc);
  return fmt::format("{:04}-{:02}-{:02}T{:02}:{:02}:{:02}.{:03}Z", utc.tm_year + 1900, utc.tm_mon + 1, utc.tm_mday,
                     utc.tm_hour, utc.tm_min, utc.tm_sec, ms % 1000);
}

std::string newId() {
  constexpr std::string_view kLetters = "abcdefghijkmnpqrstuvwxyz23456789";  // 32, no look-alikes
  std::array<unsigned char, 12> random{};
  if (getrandom(random.data(), random.size(), 0) != static_cast<ssize_t>(random.size())) return {};
  std::string id;
  for (const unsigned char r : random) id += kLetters[r % kLetters.size()];
  return id;
}

/// Lower case over all of Unicode's simple mappings.
std::u32string folded(const std::string& text) {
  static const locale_t locale = newlocale(LC_CTYPE_MASK, "C.UTF-8", nullptr);
  std::u32string out = codePoints(text);
  for (char32_t& c : out) {
    const auto wide = static_cast<wint_t>(c);
    c = static_cast<char32_t>(locale == nullptr ? std::towlower(wide) : towlower_l(wide, locale));
  }
  return out;
}

void collectTexts(const Json& j, std::string& out) {
  if (j.is_string()) out.append(1, '\n').append(j.get<std::string>());
  if (j.is_structured())
    for (const auto& item : j) collectTexts(item, out);
}

std::string dumped(const Json& j) { return j.dump(-1, ' ', false, Json::error_handler_t::replace); }

Json parsed(const std::string& text) {
  Json j = Json::parse(text, nullptr, false);
  return j.is_discarded() ? Json(nullptr) : j;
}

/// A file descriptor that closes itself.
struct Descriptor {
  int fd = -1;
  explicit Descriptor(int f) : fd(f) {}
  Descriptor(const Descriptor&) = delete;
  Descriptor& operator=(const Descriptor&) = delete;
  ~Descriptor() {
    if (fd >= 0) ::close(fd);
  }
};

/// Writes everything under the folder's file system to the disk, or only the folder's own entries.
enum class Sync { kEverything, kEntries };
Status synchronise(const fs::path& folder, Sync what) {
  const Descriptor d(::open(folder.c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC));
  if (d.fd < 0 || (what == Sync::kEverything ? ::syncfs(d.fd) : ::fsync(d.fd)) != 0)
    return fail(Fault::kInternal, "store.disk_does_not_confirm_what_written", folder.string(),
                Message("store.check_disk_free_space"));
  return {};
}

/// 0 if there is no such folder.
std::int64_t inodeOf(const fs::path& folder) {
  struct stat s {};
  return ::lstat(folder.c_str(), &s) == 0 && S_ISDIR(s.st_mode) ? static_cast<std::int64_t>(s.st_ino) : 0;
}

tl::unexpected<Error> noSuchCase(const std::string& id) {
  return fail(Fault::kRequest, "store.no_such_case", id, Message("store.look_list_cases"));
}

HistoryRow rowOf(const Statement& s) {
  HistoryRow row;
  row.seq = s.number(0);
  row.at = s.text(1);
  row.kind = s.text(2);
  row.payload = parsed(s.text(3));
  row.target = s.number(4);
  row.undoable = s.number(5) != 0;
  return row;
}

bool isTurn(const HistoryRow& row) { return row.kind == "undo" || row.kind == "redo"; }

/// Reads undo and redo: sets `active`, returns the rows that could be redone, the next one last.
std::vector<std::int64_t> settle(std::vector<HistoryRow>& rows) {
  std::vector<std::int64_t> undone;
  const auto at = [&rows](std::int64_t seq) {
    return std::lower_bound(rows.begin(), rows.end(), seq,
                            [](const HistoryRow& row, std::int64_t s) { return row.seq < s; });
  };
  for (HistoryRow& row : rows) {
    if (!isTurn(row)) {
      undone.clear();
      continue;
    }
    const auto meant = at(row.target);
    if (meant == rows.end() || meant->seq != row.target) continue;
    meant->active = row.kind == "redo";
    if (row.kind == "undo")
      undone.push_back(row.target);
    else
      std::erase(undone, row.target);
  }
  return undone;
}

}  // namespace

struct Library::Impl {
  fs::path folder;
  Descriptor lock;
  Database db;
  mutable std::mutex mutex;
  mutable Statement all_cases, one_case, case_history, by_token;
  Statement add_case, add_history, touch, summarise, intend, forget;

  Impl(fs::path f, int lock_fd, Database d) : folder(std::move(f)), lock(lock_fd), db(std::move(d)) {}

  Status prepare() {
    const auto set = [this](Statement& s, const std::string& sql) -> Status {
      auto made = db.prepare(sql);
      if (!made) return tl::unexpected(made.error());
      s = std::move(*made);
      return {};
    };
    const std::string columns =
        "SELECT id, name, created, updated, hidden, summary, notes, "
        "COALESCE((SELECT MAX(seq) FROM history WHERE case_id = id), 0), first_name FROM cases ";
    const std::pair<Statement*, std::string> wanted[] = {
        // Changes within one millisecond go by the history, which is numbered over all cases.
        {&all_cases, columns + "ORDER BY updated DESC, 8 DESC, rowid DESC"},
        {&one_case, columns + "WHERE id = ?1"},
        {&case_history, "SELECT seq, at, kind, payload, target, undoable FROM history WHERE case_id = ?1 ORDER BY seq"},
        {&by_token, "SELECT seq, at, kind, payload, target, undoable FROM history WHERE case_id = ?1 AND token = ?2"},
        {&add_case, "INSERT INTO cases(id, first_name, name, created, updated) VALUES(?1, ?2, ?2, ?3, ?3)"},
        {&add_history,
         "INSERT INTO history(case_id, at, kind, payload, target, undoable, token) "
         "VALUES(?1, ?2, ?3, ?4, ?5, ?6, NULLIF(?7, ''))"},
        {&touch, "UPDATE cases SET updated = ?2 WHERE id = ?1"},
        {&summarise, "UPDATE cases SET name = ?2, notes = ?3, hidden = ?4, summary = ?5 WHERE id = ?1"},
        {&intend, "INSERT INTO adoptions(case_id, part, made, inode, kind, payload) VALUES(?1, ?2, ?3, ?4, ?5, ?6)"},
        {&forget, "DELETE FROM adoptions WHERE inode = ?1"}};
    for (const auto& [statement, sql] : wanted)
      if (Status s = set(*statement, sql); !s) return s;
    return {};
  }

  static CaseRow caseOf(const Statement& s) {
    CaseRow row;
    row.id = s.text(0);
    row.name = s.text(1);
    row.created = s.text(2);
    row.updated = s.text(3);
    row.hidden = s.number(4) != 0;
    row.summary = parsed(s.text(5));
    row.seq = s.number(7);
    row.first_name = s.text(8);
    return row;
  }

  Result<CaseRow> find(const std::string& id) const {
    const auto row = one_case.bind(1, id).step();
    if (!row) return tl::unexpected(row.error());
    if (!*row) return noSuchCase(id);
    CaseRow found = caseOf(one_case);
    one_case.reset();
    return found;
  }

  Result<std::vector<HistoryRow>> rows(const std::string& id) const {
    std::vector<HistoryRow> out;
    case_history.bind(1, id);
    for (;;) {
      const auto row = case_history.step();
      if (!row) return tl::unexpected(row.error());
      if (!*row) return out;
      out.push_back(rowOf(case_history));
    }
  }

  /// One row and the case's time, without a transaction of its own.
  Result<HistoryRow> insert(const std::string& id, const std::string& kind, const Json& payload, std::int64_t target,
                            bool undoable, const std::string& token) {
    HistoryRow row;
    row.at = now();
    row.kind = kind;
    row.payload = payload;
    row.target = target;
    row.undoable = undoable;
    add_history.bind(1, id).bind(2, row.at).bind(3, kind).bind(4, dumped(payload));
    if (const Status s = add_history.bind(5, target).bind(6, std::int64_t{undoable}).bind(7, token).run(); !s)
      return tl::unexpected(s.error());
    row.seq = db.lastRow();
    if (const Status s = touch.bind(1, id).bind(2, row.at).run(); !s) return tl::unexpected(s.error());
    return row;
  }

  Result<std::optional<HistoryRow>> known(const std::string& id, const std::string& token) const {
    if (auto exists = find(id); !exists) return tl::unexpected(exists.error());
    if (token.empty()) return std::nullopt;
    const auto row = by_token.bind(1, id).bind(2, token).step();
    if (!row) return tl::unexpected(row.error());
    if (!*row) return std::nullopt;
    HistoryRow found = rowOf(by_token);
    by_token.reset();
    return std::optional(std::move(found));
  }

  Result<HistoryRow> add(const std::string& id, const std::string& kind, const Json& payload, std::int64_t target,
                         bool undoable, const std::string& token) {
    auto before = known(id, token);
    if (!before) return tl::unexpected(before.error());
    if (*before) return std::move(**before);
    auto transaction = Transaction::begin(db);
    if (!transaction) return tl::unexpected(transaction.error());
    auto row = insert(id, kind, payload, target, undoable, token);
    if (!row) return row;
    if (const Status s = transaction->commit(); !s) return tl::unexpected(s.error());
    return row;
  }

  Result<Turns> turns(const std::string& id) const {
    if (auto known = find(id); !known) return tl::unexpected(known.error());
    auto all = rows(id);
    if (!all) return tl::unexpected(all.error());
    const auto undone = settle(*all);
    Turns out;
    const auto newest = std::find_if(all->rbegin(), all->rend(),
                                     [](const HistoryRow& row) { return !isTurn(row) && row.active && row.undoable; });
    if (newest != all->rend()) out.undo = *newest;
    if (!undone.empty())
      out.redo = *std::find_if(all->begin(), all->end(),
                               [&undone](const HistoryRow& row) { return row.seq == undone.back(); });
    return out;
  }

  /// Appends the next undo or redo.
  Result<std::optional<HistoryRow>> turn(const std::string& id, const std::string& kind, const std::string& token) {
    auto before = known(id, token);
    if (!before || *before) return before;
    const auto next = turns(id);
    if (!next) return tl::unexpected(next.error());
    const std::optional<HistoryRow>& meant = kind == "undo" ? next->undo : next->redo;
    if (!meant) return std::nullopt;
    auto row = add(id, kind, nullptr, meant->seq, true, token);
    if (!row) return tl::unexpected(row.error());
    return std::optional(std::move(*row));
  }

  [[nodiscard]] fs::path folderOf(const std::string& id) const { return folder / "cases" / id; }

  /// Appends the row of a completed adoption and deletes its intention.
  Result<HistoryRow> record(const std::string& id, std::int64_t inode, const std::string& kind, const Json& payload) {
    auto transaction = Transaction::begin(db);
    if (!transaction) return tl::unexpected(transaction.error());
    auto row = insert(id, kind, payload, 0, false, {});
    if (!row) return row;
    if (const Status s = forget.bind(1, inode).run(); !s) return tl::unexpected(s.error());
    if (const Status s = transaction->commit(); !s) return tl::unexpected(s.error());
    return row;
  }

  /// After a crash: folders already moved into place get their row; others are removed.
  Status finishAdoptions() {
    struct Open {
      std::string id, part, made, kind, payload;
      std::int64_t inode = 0;
    };
    std::vector<Open> open;
    auto s = db.prepare("SELECT case_id, part, made, inode, kind, payload FROM adoptions ORDER BY rowid");
    if (!s) return tl::unexpected(s.error());
    for (;;) {
      const auto row = s->step();
      if (!row) return tl::unexpected(row.error());
      if (!*row) break;
      open.push_back({s->text(0), s->text(1), s->text(2), s->text(4), s->text(5), s->number(3)});
    }
    for (const Open& o : open) {
      std::error_code ignored;
      if (inodeOf(folderOf(o.id) / o.part) == o.inode) {
        if (auto row = record(o.id, o.inode, o.kind, parsed(o.payload)); !row) return tl::unexpected(row.error());
      } else if (Status gone = forget.bind(1, o.inode).run(); !gone) {
        return gone;
      }
      fs::remove_all(o.made, ignored);  // the unfinished folder, or what was replaced
    }
    return {};
  }
};

namespace {

/// The descriptor of the locked file.
Result<int> lockFolder(const fs::path& folder) {
  const fs::path file = folder / "library.lock";
  const int fd = ::open(file.c_str(), O_RDWR | O_CREAT | O_CLOEXEC, 0600);
  if (fd < 0)
    return fail(Fault::kRequest, "store.folder_cannot_written", folder.string(),
                Message("store.check_permissions_choose_another_cases"));
  if (::flock(fd, LOCK_EX | LOCK_NB) != 0) {
    char holder[32] = {};
    const ssize_t read = ::pread(fd, holder, sizeof holder - 1, 0);
    ::close(fd);
    return fail(Fault::kRequest,
                Message("store.case_library_use_process",
                        {{"told", read > 0 ? "yes" : "no"}, {"process", std::string(holder)}}),
                folder.string(), Message("store.end_program_first_choose_another_folder"));
  }
  const std::string pid = fmt::format("{}", static_cast<long>(::getpid()));
  if (::ftruncate(fd, 0) != 0 || ::pwrite(fd, pid.data(), pid.size(), 0) != static_cast<ssize_t>(pid.size())) {
    ::close(fd);
    return fail(Fault::kInternal, "store.lock_file_cannot_written", file.string(), Message("store.check_free_space"));
  }
  return fd;
}

/// Creates the tables in a new file, upgrades an older one; refuses other files and newer versions.
Status prepareSchema(Database& db, const fs::path& file) {
  const auto mark = db.number("PRAGMA application_id");
  if (!mark) return tl::unexpected(mark.error());
  const auto version = db.number("PRAGMA user_version");
  if (!version) return tl::unexpected(version.error());
  const auto tables = db.number("SELECT COUNT(*) FROM sqlite_master");
  if (!tables) return tl::unexpected(tables.error());
  if (*tables > 0 && *mark != kMark)
    return fail(Fault::kRequest, "store.database_no_case_library", file.string(),
                Message("store.choose_another_folder_cases"));
  if (*version > kVersion)
    return fail(
        Fault::kRequest,
        Message("store.case_library_version_program_knows_up", {{"version", *version}, {"version_2", kVersion}}),
        file.string(), Message("store.use_newer_rayset"));
  if (Status s = db.execute("PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL; PRAGMA foreign_keys = ON"); !s)
    return s;
  const auto mode = db.text("PRAGMA journal_mode");
  if (!mode) return tl::unexpected(mode.error());
  if (*mode != "wal")
    return fail(Fault::kRequest, "store.file_system_cannot_hold_case_library", file.string(),
                Message("store.choose_folder_local_disk_cases"));
  if (*tables > 0 && *version == kVersion) return {};
  auto transaction = Transaction::begin(db);
  if (!transaction) return tl::unexpected(transaction.error());
  if (*tables == 0)
    if (Status s = db.execute(kSchema); !s) return s;
  if (Status s = db.execute(kTokens); !s) return s;
  if (const Status s = db.execute(fmt::format("PRAGMA application_id = {}; PRAGMA user_version = {}", kMark, kVersion));
      !s)
    return s;
  return transaction->commit();
}

}  // namespace

Library::Library(std::unique_ptr<Impl> impl) : impl_(std::move(impl)) {}
Library::~Library() = default;

Result<std::unique_ptr<Library>> Library::open(const fs::path& folder) {
  std::error_code problem;
  fs::create_directories(folder / "cases", problem);
  if (problem)
    return fail(Fault::kRequest, Message("store.folder_cannot_made", {{"message", problem.message()}}), folder.string(),
                Message("store.check_path_choose_another_cases"));
  const fs::path where = fs::canonical(folder, problem);
  const auto lock = lockFolder(where);
  if (!lock) return tl::unexpected(lock.error());
  const fs::path file = where / "library.sqlite";
  auto db = Database::open(file);
  if (!db) {
    ::close(*lock);
    return tl::unexpected(db.error());
  }
  auto impl = std::make_unique<Impl>(where, *lock, std::move(*db));
  if (const Status s = prepareSchema(impl->db, file); !s) return tl::unexpected(s.error());
  if (const Status s = impl->prepare(); !s) return tl::unexpected(s.error());
  if (const Status s = impl->finishAdoptions(); !s) return tl::unexpected(s.error());
  return std::unique_ptr<Library>(new Library(std::move(impl)));
}

Result<CaseRow> Library::create(const std::string& name) {
  const std::lock_guard lock(impl_->mutex);
  const std::string id = newId();
  if (id.empty()) return fail(Fault::kInternal, "store.system_gives_no_random_numbers", "", "");
  std::error_code problem;
  fs::create_directory(impl_->folderOf(id), problem);
  if (problem)
    return fail(Fault::kInternal, Message("store.cases_folder_cannot_made", {{"message", problem.message()}}),
                impl_->folderOf(id).string(), Message("store.check_free_space_permissions"));
  if (const Status s = synchronise(impl_->folder / "cases", Sync::kEntries); !s) return tl::unexpected(s.error());
  if (const Status s = impl_->add_case.bind(1, id).bind(2, name).bind(3, now()).run(); !s)
    return tl::unexpected(s.error());
  return impl_->find(id);
}

Result<std::vector<CaseRow>> Library::list(const std::string& search, bool hidden) const {
  const std::lock_guard lock(impl_->mutex);
  const std::u32string wanted = folded(search);
  std::vector<CaseRow> out;
  for (;;) {
    const auto row = impl_->all_cases.step();
    if (!row) return tl::unexpected(row.error());
    if (!*row) return out;
    CaseRow c = Impl::caseOf(impl_->all_cases);
    if (c.hidden && !hidden) continue;
    std::string text = c.name + "\n" + impl_->all_cases.text(6);
    collectTexts(c.summary, text);
    if (folded(text).find(wanted) != std::u32string::npos) out.push_back(std::move(c));
  }
}

Result<CaseRow> Library::find(const std::string& id) const {
  const std::lock_guard lock(impl_->mutex);
  return impl_->find(id);
}

Result<HistoryRow> Library::append(const std::string& id, const std::string& kind, const Json& payload, bool undoable,
                                   const std::string& token) {
  const std::lock_guard lock(impl_->mutex);
  if (kind.empty() || kind == "undo" || kind == "redo")
    return fail(Fault::kRequest, Message("store.no_kind_edit", {{"kind", kind}}), "kind", "");
  return impl_->add(id, kind, payload, 0, undoable, token);
}

Result<std::optional<HistoryRow>> Library::undo(const std::string& id, const std::string& token) {
  const std::lock_guard lock(impl_->mutex);
  return impl_->turn(id, "undo", token);
}

Result<std::optional<HistoryRow>> Library::redo(const std::string& id, const std::string& token) {
  const std::lock_guard lock(impl_->mutex);
  return impl_->turn(id, "redo", token);
}

Result<std::optional<HistoryRow>> Library::known(const std::string& id, const std::string& token) const {
  const std::lock_guard lock(impl_->mutex);
  return impl_->known(id, token);
}

Result<Library::Turns> Library::turns(const std::string& id) const {
  const std::lock_guard lock(impl_->mutex);
  return impl_->turns(id);
}

Result<std::vector<HistoryRow>> Library::history(const std::string& id) const {
  const std::lock_guard lock(impl_->mutex);
  if (auto known = impl_->find(id); !known) return tl::unexpected(known.error());
  auto rows = impl_->rows(id);
  if (rows) settle(*rows);
  return rows;
}

Result<std::vector<HistoryRow>> Library::activeEdits(const std::string& id) const {
  auto rows = history(id);
  if (rows) std::erase_if(*rows, [](const HistoryRow& row) { return isTurn(row) || !row.active; });
  return rows;
}

Status Library::setSummary(const std::string& id, const std::string& name, const std::string& notes, bool hidden,
                           const Json& summary) {
  const std::lock_guard lock(impl_->mutex);
  if (auto known = impl_->find(id); !known) return tl::unexpected(known.error());
  impl_->summarise.bind(1, id).bind(2, name).bind(3, notes).bind(4, std::int64_t{hidden});
  return impl_->summarise.bind(5, dumped(summary)).run();
}

fs::path Library::folder(const std::string& id) const {
  const bool plain = !id.empty() && std::all_of(id.begin(), id.end(), [](char c) {
    return (c >= 'a' && c <= 'z') || (c >= '0' && c <= '9');
  });
  return impl_->folderOf(plain ? id : "none");
}

Result<HistoryRow> Library::adopt(const std::string& id, const std::string& part, const fs::path& made,
                                  const std::string& kind, const Json& payload) {
  if (auto known = find(id); !known) return tl::unexpected(known.error());
  const fs::path relative(part);
  if (part.empty() || relative.is_absolute() ||
      std::any_of(relative.begin(), relative.end(), [](const fs::path& p) { return p == ".." || p == "."; }))
    return fail(Fault::kRequest, "store.no_part_cases_folder", part, "");
  const std::int64_t inode = inodeOf(made);
  if (inode == 0) return fail(Fault::kInternal, "store.finished_folder_not", made.string(), "");
  const fs::path target = impl_->folderOf(id) / relative;
  std::error_code problem;
  fs::create_directories(target.parent_path(), problem);
  if (const Status s = synchronise(made, Sync::kEverything); !s) return tl::unexpected(s.error());
  const std::lock_guard lock(impl_->mutex);
  impl_->intend.bind(1, id).bind(2, part).bind(3, made.string()).bind(4, inode).bind(5, kind);
  if (const Status s = impl_->intend.bind(6, dumped(payload)).run(); !s) return tl::unexpected(s.error());
  // Atomic for the file system: the old folder and the new one are exchanged.
  const bool had = inodeOf(target) != 0;
  if (::renameat2(AT_FDCWD, made.c_str(), AT_FDCWD, target.c_str(), had ? RENAME_EXCHANGE : RENAME_NOREPLACE) != 0) {
    const std::string why = std::generic_category().message(errno);
    (void)impl_->forget.bind(1, inode).run();
    return fail(Fault::kInternal, Message("store.results_could_not_put_place", {{"why", why}}), target.string(),
                Message("store.keep_library_one_local_disk"));
  }
  if (const Status s = synchronise(target.parent_path(), Sync::kEntries); !s) return tl::unexpected(s.error());
  auto row = impl_->record(id, inode, kind, payload);
  if (row && had) fs::remove_all(made, problem);
  return row;
}

}  // namespace rayset
