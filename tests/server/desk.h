// A server with a page of its own, on an empty library.
#pragma once

#include <gtest/gtest.h>

#include "client.h"
#include "english.h"
#include "resources.h"
#include "server/server.h"

namespace rayset::server {

inline void write(const std::filesystem::path& file, const std::string& text) {
  std::filesystem::create_directories(file.parent_path());
  std::ofstream(file, std::ios::binary) << text;
}

struct Desk1 {
  rayset::testing::Folder folder;
  std::unique_ptr<Server> server;
  explicit Desk1(HttpSettings http = {}, std::shared_ptr<Log> log = {}) {
    write(folder.path / "web/index.html", "<!doctype html><title>page</title>");
    write(folder.path / "web/page.js", "let plain;");
    write(folder.path / "web/page.js.gz", "packed");
    write(folder.path / "web/.secret", "secret");
    write(folder.path / "outside.txt", "outside");
    std::filesystem::create_symlink(folder.path / "outside.txt", folder.path / "web/link.txt");
    auto started =
        Server::start({folder.path / "cases", folder.path / "web", http, "9.9.9", test::resources(), std::move(log)});
    EXPECT_TRUE(started) << english(started.error());
    if (started) server = std::move(*started);
  }
  [[nodiscard]] std::uint16_t port() const { return server->port(); }
  rayset::testing::Answer get(const std::string& target, const rayset::testing::Headers& h = {}) const {
    return rayset::testing::ask(port(), "GET", target, {}, h);
  }
  rayset::testing::Answer post(const std::string& target, const Json& body = Json::object()) const {
    return rayset::testing::ask(port(), "POST", target, body.dump());
  }
  [[nodiscard]] std::string newCase(const std::string& name = "Case") const {
    const rayset::testing::Answer a = post("/api/cases", {{"name", name}});
    EXPECT_EQ(a.status, 201) << a.body;
    return a.json()["id"];
  }
};

}  // namespace rayset::server
