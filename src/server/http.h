// HTTP/1.1 on 127.0.0.1: connections, limits and timeouts. Knows no routes.
//
// One thread serves the whole network (asynchronous Boost.Beast): a connection that sends nothing, reads slowly or
// listens for events costs a socket but no thread. Handlers may compute and wait; they run in a few workers. Bodies go
// into memory or into a file, as the handler decides from the header. A truncated body leaves nothing behind.
#pragma once

#include <chrono>
#include <cstdint>
#include <filesystem>
#include <functional>
#include <memory>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "base/result.h"
#include "server/target.h"

namespace rayset::server {

struct Request : Target {
  std::string method;  ///< "GET"
  std::string host, accept_encoding, if_none_match;
  bool marked = false;             ///< X-Rayset: 1
  std::string body;                ///< if it was read into memory
  std::filesystem::path uploaded;  ///< if it was written to a file; the handler moves it away
  // For the log, filled in by the handler: never the client's own text.
  std::string_view pattern;  ///< of the path
  std::string case_id;
};

/// Content sent as it arises, for as long as the client listens. Both functions are called by the network thread and
/// must not block.
class Feed {
 public:
  virtual ~Feed() = default;
  /// Everything not sent yet, possibly nothing; nullopt at the end.
  [[nodiscard]] virtual std::optional<std::string> take() = 0;
  /// Call `wake`, from any thread, when take() has something again.
  virtual void whenChanged(std::function<void()> wake) = 0;
};

struct Reply {
  int status = 200;
  std::string type = "application/json";
  std::vector<std::pair<std::string, std::string>> headers;
  std::string body;
  std::optional<nlohmann::ordered_json> document;  ///< JSON with messages, made the body in words before it is sent
  std::filesystem::path file;                      ///< if given, sent instead of the body
  /// If given, sent instead of the body and produced piece by piece. "": the end; nullopt: it cannot continue, which
  /// the client notices.
  std::function<std::optional<std::string>()> pieces;
  std::shared_ptr<Feed> feed;  ///< if given, sent after the body (not empty)
};

/// How the body of a request is received.
struct Intake {
  std::uint64_t limit = 0;     ///< bytes
  std::filesystem::path file;  ///< empty: into memory
};

struct Handler {
  /// Called once the header is read. A reply instead of an intake ends the request. Called by many workers at once.
  std::function<tl::expected<Intake, Reply>(Request&)> accept;
  std::function<Reply(Request&)> answer;  ///< as accept()
  /// The reply where the network itself refuses: too large, no HTTP, no space. Called by the network thread.
  std::function<Reply(int status, const Error&)> refuse;
  /// The reply was sent; status 0: the client disconnected first. Called by the network thread.
  std::function<void(const Request&, int status, std::chrono::milliseconds)> done;
};

struct HttpSettings {
  std::uint16_t port = 0;  ///< 0: a free one
  int connections = 400;  ///< at most, others are asked to retry; two files each are within the usual 1024 of a process
  int workers = 32;       ///< requests answered concurrently
  int header_s = 75;      ///< until the next request's header has arrived
  int body_s = 30;        ///< for each piece of a body (256 KiB)
  int write_s = 60;       ///< for each piece written
  int heartbeat_s = 15;   ///< an idle feed sends a sign of life
};

class HttpServer {
 public:
  /// Listens and serves in its own threads. kRequest if the port is taken.
  [[nodiscard]] static Result<std::unique_ptr<HttpServer>> start(const HttpSettings& settings, Handler handler);
  /// Ends every connection and waits for requests in progress.
  ~HttpServer();
  HttpServer(const HttpServer&) = delete;
  HttpServer& operator=(const HttpServer&) = delete;
  [[nodiscard]] std::uint16_t port() const;

 private:
  struct Impl;
  explicit HttpServer(std::unique_ptr<Impl> impl);
  std::unique_ptr<Impl> impl_;
};

}  // namespace rayset::server
