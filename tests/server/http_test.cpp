// Many connections, slow ones and silent ones.
#include "server/http.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "client.h"
#include "desk.h"

namespace rayset::server {
namespace {
namespace fs = std::filesystem;
using rayset::testing::Answer;
using rayset::testing::Client;
using Clock = std::chrono::steady_clock;

std::size_t threads() {
  return static_cast<std::size_t>(std::distance(fs::directory_iterator("/proc/self/task"), fs::directory_iterator()));
}

/// An open stream of events that is read when asked for.
class Listening {
 public:
  explicit Listening(const Desk1& d) : client_(d.port()) {
    client_.raw("GET /api/events HTTP/1.1\r\nHost: 127.0.0.1:" + std::to_string(d.port()) + "\r\n\r\n");
  }
  /// What was heard until `text` was.
  std::string until(const std::string& text) {
    boost::system::error_code ec;
    std::array<char, 4096> piece{};
    while (!ec && heard_.find(text) == std::string::npos)
      heard_.append(piece.data(), client_.socket().read_some(boost::asio::buffer(piece), ec));
    return heard_;
  }

 private:
  Client client_;
  std::string heard_;
};

TEST(Http, HundredsOfListenersCostNoThread) {
  const Desk1 d;
  EXPECT_EQ(d.get("/api/about").status, 200);
  const std::size_t before = threads();
  std::vector<std::unique_ptr<Listening>> listening;
  for (int n = 0; n < 300; ++n) {
    listening.push_back(std::make_unique<Listening>(d));
    ASSERT_THAT(listening.back()->until("retry:"), ::testing::HasSubstr("text/event-stream")) << n;
  }
  EXPECT_LE(threads(), before);
  const auto start = Clock::now();
  const std::string id = d.newCase();
  for (int n = 0; n < 20; ++n) EXPECT_EQ(d.get("/api/cases/" + id).status, 200);
  EXPECT_LT(Clock::now() - start, std::chrono::seconds(5)) << "it answers as if nobody listened";
  for (auto& l : listening) EXPECT_THAT(l->until(id), ::testing::HasSubstr("event: case")) << "each hears of the case";
}

TEST(Http, AClosedPageMakesRoomAtOnce) {
  HttpSettings http;
  http.connections = 3;
  http.heartbeat_s = 600;  // not by the first write that fails
  const Desk1 d(http);
  {
    std::vector<std::unique_ptr<Listening>> pages;
    for (int n = 0; n < 3; ++n) {
      pages.push_back(std::make_unique<Listening>(d));
      ASSERT_THAT(pages.back()->until("retry:"), ::testing::HasSubstr("200 OK"));
    }
    Client more(d.port());
    EXPECT_EQ(more.read().status, 503);
  }
  int status = 0;
  for (int n = 0; n < 100 && status != 200; ++n) {
    status = d.get("/api/about").status;
    std::this_thread::sleep_for(std::chrono::milliseconds(20));
  }
  EXPECT_EQ(status, 200);
}

TEST(Http, AListenerWithNothingToHearIsToldThatTheServerIsThere) {
  HttpSettings http;
  http.heartbeat_s = 1;
  const Desk1 d(http);
  Listening l(d);
  EXPECT_THAT(l.until(": still here"), ::testing::HasSubstr(": still here\n\n"));
}

TEST(Http, AHeaderThatTricklesInIsCutOff) {
  HttpSettings http;
  http.header_s = 1;
  const Desk1 d(http);
  Client c(d.port());
  const std::string line = "X-Slow: " + std::string(1000, 'x');
  const auto start = Clock::now();
  bool closed = false;
  c.raw("GET /api/about HTTP/1.1\r\n");
  for (std::size_t n = 0; n < line.size() && !closed; ++n) {
    boost::system::error_code ec;
    boost::asio::write(c.socket(), boost::asio::buffer(&line[n], 1), ec);  // never silent for as long as a second
    closed = ec.failed();
    std::this_thread::sleep_for(std::chrono::milliseconds(100));
    if (Clock::now() - start > std::chrono::seconds(20)) break;
  }
  EXPECT_TRUE(closed);
  EXPECT_EQ(d.get("/api/about").status, 200);
}

TEST(Http, WhoDoesNotReadHoldsNobodyUpAndIsCutOff) {
  HttpSettings http;
  http.write_s = 2;
  http.workers = 2;
  const Desk1 d(http);
  const std::size_t size = std::size_t{32} << 20U;  // more than the system buffers
  write(d.folder.path / "web/big.js", std::string(size, 'x'));
  std::vector<std::unique_ptr<Client>> deaf;
  for (int n = 0; n < 20; ++n) {
    deaf.push_back(std::make_unique<Client>(d.port()));
    deaf.back()->raw("GET /assets/big.js HTTP/1.1\r\nHost: 127.0.0.1:" + std::to_string(d.port()) + "\r\n\r\n");
  }
  const auto start = Clock::now();
  EXPECT_EQ(d.get("/api/about").status, 200);
  EXPECT_LT(Clock::now() - start, std::chrono::seconds(2));
  std::this_thread::sleep_for(std::chrono::seconds(4));
  EXPECT_LT(deaf.front()->read().body.size(), size);
  EXPECT_EQ(d.get("/assets/big.js").body.size(), size) << "who reads gets it";
}

TEST(Http, EndsAtOnceWithHundredsOfListeners) {
  auto d = std::make_unique<Desk1>();
  std::vector<std::unique_ptr<Listening>> listening;
  for (int n = 0; n < 200; ++n) listening.push_back(std::make_unique<Listening>(*d));
  EXPECT_THAT(listening.back()->until("retry:"), ::testing::HasSubstr("200 OK"));
  const auto start = Clock::now();
  d->server.reset();
  EXPECT_LT(Clock::now() - start, std::chrono::seconds(3));
}

}  // namespace
}  // namespace rayset::server
