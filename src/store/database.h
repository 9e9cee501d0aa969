// A thin layer over SQLite: statements prepared once, and errors as values.
#pragma once

#include <cstdint>
#include <filesystem>
#include <string>

#include "base/result.h"

struct sqlite3;
struct sqlite3_stmt;

namespace rayset::store {

/// A prepared statement. bind() counts from 1, columns from 0.
class Statement {
 public:
  Statement() = default;
  explicit Statement(sqlite3_stmt* raw) : raw_(raw) {}
  Statement(Statement&& other) noexcept;
  Statement& operator=(Statement&& other) noexcept;
  ~Statement();

  Statement& bind(int n, const std::string& text);
  Statement& bind(int n, std::int64_t value);
  /// True: there is a row; false: no more. After false or an error the statement can be bound again.
  [[nodiscard]] Result<bool> step();
  /// For statements without rows.
  [[nodiscard]] Status run();
  void reset();
  [[nodiscard]] std::string text(int column) const;
  [[nodiscard]] std::int64_t number(int column) const;

 private:
  sqlite3_stmt* raw_ = nullptr;
};

class Database {
 public:
  /// kRequest if the file is not a database, kInternal if it cannot be accessed.
  [[nodiscard]] static Result<Database> open(const std::filesystem::path& file);
  Database(Database&& other) noexcept;
  Database& operator=(Database&&) = delete;
  ~Database();

  [[nodiscard]] Status execute(const std::string& sql);
  [[nodiscard]] Result<Statement> prepare(const std::string& sql) const;
  /// First column of the first row, as a number or as text.
  [[nodiscard]] Result<std::int64_t> number(const std::string& sql) const;
  [[nodiscard]] Result<std::string> text(const std::string& sql) const;
  [[nodiscard]] std::int64_t lastRow() const;

 private:
  explicit Database(sqlite3* raw) : raw_(raw) {}
  sqlite3* raw_ = nullptr;
};

/// BEGIN IMMEDIATE on construction; rolled back on destruction unless committed.
class Transaction {
 public:
  [[nodiscard]] static Result<Transaction> begin(Database& db);
  Transaction(Transaction&& other) noexcept : db_(other.db_) { other.db_ = nullptr; }
  Transaction& operator=(Transaction&&) = delete;
  ~Transaction();
  [[nodiscard]] Status commit();

 private:
  explicit Transaction(Database& db) : db_(&db) {}
  Database* db_;
};

}  // namespace rayset::store
