#include "store/database.h"

#include <sqlite3.h>

#include <utility>

namespace rayset::store {
namespace {

tl::unexpected<Error> refused(sqlite3* db) {
  const int code = db == nullptr ? SQLITE_NOMEM : sqlite3_errcode(db);
  const char* file = db == nullptr ? nullptr : sqlite3_db_filename(db, "main");
  const std::string where = file == nullptr ? "library.sqlite" : file;
  const std::string words = db == nullptr ? "not enough memory" : sqlite3_errmsg(db);
  if (code == SQLITE_NOTADB)
    return fail(Fault::kRequest, "store.file_no_case_library", where, Message("store.choose_another_folder_cases"));
  if (code == SQLITE_CORRUPT)
    return fail(Fault::kInternal, Message("store.case_library_damaged", {{"words", words}}), where,
                Message("store.take_backup"));
  if (code == SQLITE_CANTOPEN || code == SQLITE_READONLY)
    return fail(Fault::kRequest, Message("store.case_library_cannot_written", {{"words", words}}), where,
                Message("store.check_folder_permissions"));
  return fail(Fault::kInternal, Message("store.case_library_could_not_read_written", {{"words", words}}), where,
              Message("store.check_free_space_permissions"));
}

}  // namespace

Statement::Statement(Statement&& other) noexcept : raw_(std::exchange(other.raw_, nullptr)) {}
Statement& Statement::operator=(Statement&& other) noexcept {
  std::swap(raw_, other.raw_);
  return *this;
}
Statement::~Statement() { sqlite3_finalize(raw_); }

Statement& Statement::bind(int n, const std::string& text) {
  sqlite3_bind_text64(raw_, n, text.data(), text.size(), SQLITE_TRANSIENT, SQLITE_UTF8);
  return *this;
}
Statement& Statement::bind(int n, std::int64_t value) {
  sqlite3_bind_int64(raw_, n, value);
  return *this;
}

Result<bool> Statement::step() {
  const int code = sqlite3_step(raw_);
  if (code == SQLITE_ROW) return true;
  auto error = code == SQLITE_DONE ? tl::unexpected<Error>(Error{}) : refused(sqlite3_db_handle(raw_));
  reset();
  if (code == SQLITE_DONE) return false;
  return error;
}

Status Statement::run() {
  for (;;) {
    const auto row = step();
    if (!row) return tl::unexpected(row.error());
    if (!*row) return {};
  }
}

void Statement::reset() {
  sqlite3_reset(raw_);
  sqlite3_clear_bindings(raw_);
}

std::string Statement::text(int column) const {
  const auto* data = sqlite3_column_text(raw_, column);
  const int bytes = sqlite3_column_bytes(raw_, column);
  return data == nullptr ? std::string()
                         : std::string(reinterpret_cast<const char*>(data), static_cast<std::size_t>(bytes));
}
std::int64_t Statement::number(int column) const { return sqlite3_column_int64(raw_, column); }

Result<Database> Database::open(const std::filesystem::path& file) {
  sqlite3* raw = nullptr;
  const int code = sqlite3_open_v2(file.c_str(), &raw, SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE, nullptr);
  Database db(raw);
  if (code != SQLITE_OK) return refused(raw);
  sqlite3_extended_result_codes(raw, 0);
  sqlite3_busy_timeout(raw, 2000);  // a backup may be reading
  return db;
}
Database::Database(Database&& other) noexcept : raw_(std::exchange(other.raw_, nullptr)) {}
Database::~Database() { sqlite3_close_v2(raw_); }

Status Database::execute(const std::string& sql) {
  if (sqlite3_exec(raw_, sql.c_str(), nullptr, nullptr, nullptr) != SQLITE_OK) return refused(raw_);
  return {};
}

Result<Statement> Database::prepare(const std::string& sql) const {
  sqlite3_stmt* raw = nullptr;
  if (sqlite3_prepare_v3(raw_, sql.c_str(), -1, SQLITE_PREPARE_PERSISTENT, &raw, nullptr) != SQLITE_OK)
    return refused(raw_);
  return Statement(raw);
}

Result<std::int64_t> Database::number(const std::string& sql) const {
  auto s = prepare(sql);
  if (!s) return tl::unexpected(s.error());
  const auto row = s->step();
  if (!row) return tl::unexpected(row.error());
  return *row ? s->number(0) : 0;
}

Result<std::string> Database::text(const std::string& sql) const {
  auto s = prepare(sql);
  if (!s) return tl::unexpected(s.error());
  const auto row = s->step();
  if (!row) return tl::unexpected(row.error());
  return *row ? s->text(0) : std::string();
}

std::int64_t Database::lastRow() const { return sqlite3_last_insert_rowid(raw_); }

Result<Transaction> Transaction::begin(Database& db) {
  if (const Status s = db.execute("BEGIN IMMEDIATE"); !s) return tl::unexpected(s.error());
  return Transaction(db);
}
Transaction::~Transaction() {
  if (db_ != nullptr) (void)db_->execute("ROLLBACK");
}
Status Transaction::commit() {
  const Status done = db_->execute("COMMIT");
  if (done) db_ = nullptr;
  return done;
}

}  // namespace rayset::store
