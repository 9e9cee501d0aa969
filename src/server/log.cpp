#include "server/log.h"

#include <spdlog/async_logger.h>
#include <spdlog/details/thread_pool.h>
#include <spdlog/sinks/rotating_file_sink.h>
#include <spdlog/sinks/stdout_sinks.h>

#include <algorithm>
#include <array>
#include <nlohmann/json.hpp>

namespace rayset::server {
namespace {

using Json = nlohmann::ordered_json;
using Level = spdlog::level::level_enum;

constexpr std::size_t kFileBytes = std::size_t{10} << 20U;
constexpr std::size_t kOldFiles = 3;
constexpr std::size_t kMostWaiting = 8192;  // lines

/// The pattern opens the object, the fields close it.
constexpr const char* kPattern = R"({"time":"%Y-%m-%dT%H:%M:%S.%eZ","level":"%l",%v)";
void write(spdlog::logger& logger, Level level, const Json& fields) {
  logger.log(level, std::string_view(fields.dump(-1, ' ', true, Json::error_handler_t::replace)).substr(1));
}

void addCase(Json& fields, std::string_view case_id) {
  if (!case_id.empty()) fields["case"] = case_id;
}

}  // namespace

Log::Log(std::shared_ptr<void> writer, std::shared_ptr<spdlog::logger> logger)
    : writer_(std::move(writer)), logger_(std::move(logger)) {}

Result<std::shared_ptr<Log>> Log::open(const std::filesystem::path& file) {
  try {
    spdlog::sink_ptr sink;
    if (file.empty())
      sink = std::make_shared<spdlog::sinks::stderr_sink_mt>();
    else
      sink = std::make_shared<spdlog::sinks::rotating_file_sink_mt>(file.string(), kFileBytes, kOldFiles);
    // On a separate thread: a paused terminal or a full pipe loses the oldest lines and blocks nothing else.
    auto writer = std::make_shared<spdlog::details::thread_pool>(kMostWaiting, 1);
    auto logger = std::make_shared<spdlog::async_logger>("rayset", std::move(sink), writer,
                                                         spdlog::async_overflow_policy::overrun_oldest);
    logger->set_pattern(kPattern, spdlog::pattern_time_type::utc);
    logger->flush_on(Level::info);
    logger->set_error_handler([](const std::string&) {});  // a full disk does not abort requests in progress
    return std::shared_ptr<Log>(new Log(std::move(writer), std::move(logger)));
  } catch (const spdlog::spdlog_ex& e) {
    return fail(Fault::kRequest, Message("server.log_cannot_written", {{"what", e.what()}}), file.string(),
                Message("server.choose_another_log"));
  }
}

void Log::started(std::string_view version, int port) {
  write(*logger_, Level::info, {{"event", "started"}, {"version", version}, {"port", port}});
}

void Log::ended() { write(*logger_, Level::info, {{"event", "ended"}}); }

void Log::request(std::string_view method, std::string_view pattern, int status, std::chrono::milliseconds time,
                  std::string_view case_id) {
  constexpr std::array<std::string_view, 4> kMethods{"GET", "POST", "PUT", "DELETE"};
  const bool known = std::find(kMethods.begin(), kMethods.end(), method) != kMethods.end();
  Json fields{{"event", status == 0 ? "cut off" : "request"},
              {"method", known ? method : "other"},
              {"path", pattern.empty() ? "unknown" : pattern},
              {"status", status},
              {"ms", time.count()}};
  addCase(fields, case_id);
  write(*logger_, status >= 500 ? Level::err : status >= 400 || status == 0 ? Level::warn : Level::info, fields);
}

void Log::job(std::string_view id, std::string_view kind, std::string_view state, std::string_view case_id) {
  Json fields{{"event", "job"}, {"job", id}, {"kind", kind}, {"state", state}};
  addCase(fields, case_id);
  write(*logger_, state == "failed" ? Level::warn : Level::info, fields);
}

void Log::surprise(std::string_view pattern, std::string_view type) {
  write(*logger_, Level::err, {{"event", "surprise"}, {"path", pattern}, {"type", type}});
}

}  // namespace rayset::server
