// The workstation's server: docs/decisions/workstation.md over HTTP on 127.0.0.1. Turns requests into calls of the
// library, the open cases and the jobs; computes nothing.
#pragma once

#include <cstdint>
#include <filesystem>
#include <memory>
#include <string>

#include "base/result.h"
#include "server/http.h"
#include "server/log.h"
#include "server/work.h"

namespace rayset::server {

struct ServerSettings {
  std::filesystem::path cases;
  std::filesystem::path web;  ///< where the page was built
  HttpSettings http;
  std::string version;
  Resources resources;
  std::shared_ptr<Log> log = {};  ///< null: none is kept
};

class Server {
 public:
  /// Opens the library, removes what was left unfinished, listens. Errors as Library::open() and HttpServer::start().
  [[nodiscard]] static Result<std::unique_ptr<Server>> start(const ServerSettings& settings);
  /// Cancels what runs, ends connections.
  ~Server();
  Server(const Server&) = delete;
  Server& operator=(const Server&) = delete;

  [[nodiscard]] std::string address() const;  ///< "http://127.0.0.1:PORT/"
  [[nodiscard]] std::uint16_t port() const;
  [[nodiscard]] Result<std::string> add(const AddOrder& order, const Progress& progress = {});

 private:
  struct Impl;
  explicit Server(std::unique_ptr<Impl> impl);
  std::unique_ptr<Impl> impl_;
};

}  // namespace rayset::server
