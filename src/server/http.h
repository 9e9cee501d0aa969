// HTTP/1.1 on 127.0.0.1: connections, limits and timeouts. Knows no routes.
//
// A thread a connection, so that handlers may compute and wait; every wait for the network has a time limit. Bodies are
// taken into memory or into a file, as the handler says once it has seen the header. A body that is cut off leaves
// nothing behind.
#pragma once

#include <cstdint>
#include <filesystem>
#include <functional>
#include <map>
#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "base/result.h"

namespace rayset::server {

struct Request {
  std::string method;                 ///< "GET"
  std::vector<std::string> segments;  ///< of the path, percent-decoded; none for "/"
  std::map<std::string, std::string> query;
  std::string host, accept_encoding, if_none_match;
  bool marked = false;             ///< X-Rayset: 1
  std::string body;                ///< where it was taken into memory
  std::filesystem::path uploaded;  ///< where it was taken into a file; the handler moves it away
};

/// Where a reply that is made while it is sent goes.
class Sink {
 public:
  virtual ~Sink() = default;
  /// False: the other side is gone or the server ends; stop.
  [[nodiscard]] virtual bool write(std::string_view bytes) = 0;
};

struct Reply {
  int status = 200;
  std::string type = "application/json";
  std::vector<std::pair<std::string, std::string>> headers;
  std::string body;
  std::filesystem::path file;         ///< sent in place of the body where given
  std::function<void(Sink&)> stream;  ///< sent in place of the body where given, in chunks
};

/// How the body of a request is taken.
struct Intake {
  std::uint64_t limit = 0;     ///< bytes
  std::filesystem::path file;  ///< empty: into memory
};

/// Both functions are called from many threads at once.
struct Handler {
  /// With the header read. A reply in place of an intake ends the request.
  std::function<tl::expected<Intake, Reply>(const Request&)> accept;
  std::function<Reply(Request&)> answer;
};

struct HttpSettings {
  std::uint16_t port = 0;  ///< 0: a free one
  int connections = 128;   ///< at most, more are told to come back
  int header_s = 75;       ///< until the next request's header is there
  int body_s = 30;         ///< for each piece of a body (256 KiB)
  int write_s = 60;        ///< for each piece written
};

class HttpServer {
 public:
  /// Listens and serves in threads of its own. kRequest where the port is taken.
  [[nodiscard]] static Result<std::unique_ptr<HttpServer>> start(const HttpSettings& settings, Handler handler);
  /// Ends every connection and waits for what is being answered.
  ~HttpServer();
  HttpServer(const HttpServer&) = delete;
  HttpServer& operator=(const HttpServer&) = delete;
  [[nodiscard]] std::uint16_t port() const;

 private:
  struct Impl;
  explicit HttpServer(std::unique_ptr<Impl> impl);
  std::unique_ptr<Impl> impl_;
};

/// Decodes %XX; nullopt for what is no valid encoding or no UTF-8 without control characters.
[[nodiscard]] std::optional<std::string> percentDecoded(std::string_view text, bool plus_is_space);

}  // namespace rayset::server
