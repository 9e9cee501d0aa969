// What the server did, as JSON lines. Nothing a client wrote - names, texts, files, search words, addresses - can get
// in: the log takes route patterns, numbers, and identifiers made by the library.
#pragma once

#include <chrono>
#include <filesystem>
#include <memory>
#include <string_view>

#include "base/result.h"

namespace spdlog {
class logger;
}

namespace rayset::server {

class Log {
 public:
  /// Logs to standard error if `file` is empty. A file is appended to; at 10 MiB it is renamed (log.1.jsonl) and a new
  /// one started; three old ones are kept. kRequest if it cannot be written.
  [[nodiscard]] static Result<std::shared_ptr<Log>> open(const std::filesystem::path& file);

  void started(std::string_view version, int port);
  void ended();
  /// `pattern`: of the router, empty if none fits. Status 0: cut off before the reply was sent.
  void request(std::string_view method, std::string_view pattern, int status, std::chrono::milliseconds time,
               std::string_view case_id);
  /// `state`: added, done, failed or cancelled.
  void job(std::string_view id, std::string_view kind, std::string_view state, std::string_view case_id);
  /// Something failed that should not have. `type`: of the exception; its text may quote what was sent.
  void surprise(std::string_view pattern, std::string_view type);

 private:
  Log(std::shared_ptr<void> writer, std::shared_ptr<spdlog::logger> logger);
  std::shared_ptr<void> writer_;  ///< ends once everything is written
  std::shared_ptr<spdlog::logger> logger_;
};

}  // namespace rayset::server
