#include "server/server.h"

#include <fcntl.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <signal.h>
#include <spawn.h>
#include <sys/wait.h>
#include <unistd.h>

#include <random>
#include <regex>

#include "client.h"
#include "desk.h"
#include "resources.h"
#include "server/files.h"
#include "text_file.h"

extern char** environ;

namespace rayset::server {
namespace {
namespace fs = std::filesystem;
using rayset::testing::Answer;
using rayset::testing::ask;
using rayset::testing::Client;
using rayset::testing::Ear;
using rayset::testing::Folder;
using ::testing::HasSubstr;
using ::testing::Not;

// ---------------------------------------------------------------------------------------------- what is let in

TEST(Server, SaysWhatItIs) {
  const Desk1 d;
  const Answer a = d.get("/api/about");
  EXPECT_EQ(a.status, 200);
  EXPECT_EQ(a.json()["version"], "9.9.9");
  EXPECT_THAT(a.json()["advice"].get<std::string>(), HasSubstr("surgeon decides"));
  EXPECT_EQ(a.header("Cache-Control"), "no-store");
  EXPECT_EQ(a.header("X-Content-Type-Options"), "nosniff");
  EXPECT_THAT(a.header("Content-Security-Policy"),
              HasSubstr("default-src 'self'; img-src 'self' blob: data:; worker-src 'self' blob:; connect-src 'self'"));
}

TEST(Server, OnlyItsOwnNameIsServed) {
  const Desk1 d;
  const std::string port = std::to_string(d.port());
  EXPECT_EQ(d.get("/api/about", {{"Host", "localhost:" + port}}).status, 200);
  for (const std::string& host : {std::string("rebound.example:") + port, std::string("127.0.0.1"),
                                  std::string("127.0.0.1:1"), std::string("localhost"), std::string()}) {
    EXPECT_EQ(d.get("/api/about", {{"Host", host}}).status, 400) << host;
    EXPECT_EQ(d.get("/", {{"Host", host}}).status, 400) << host;
  }
}

TEST(Server, WritingNeedsItsHeader) {
  const Desk1 d;
  const std::string id = d.newCase();
  for (const char* value : {"", "0", "yes"}) {
    EXPECT_EQ(ask(d.port(), "POST", "/api/cases", R"({"name":"x"})", {{"X-Rayset", value}}).status, 400);
    EXPECT_EQ(ask(d.port(), "PUT", "/api/cases/" + id + "/upload/images/a", "x", {{"X-Rayset", value}}).status, 400);
    EXPECT_EQ(ask(d.port(), "DELETE", "/api/cases/" + id + "/upload/images", "", {{"X-Rayset", value}}).status, 400);
  }
  EXPECT_EQ(d.get("/api/cases").json().size(), 1U);
  const Answer other = ask(d.port(), "OPTIONS", "/api/cases");
  EXPECT_EQ(other.status, 405) << "no preflight of another page is answered";
  EXPECT_EQ(other.header("Access-Control-Allow-Origin"), "");
}

TEST(Server, WhatIsNoRequestIsRefused) {
  const Desk1 d;
  for (const std::string& text :
       {std::string("nonsense\r\n\r\n"), std::string("GET nothing HTTP/1.1\r\nHost: x\r\n\r\n"),
        "GET /%zz HTTP/1.1\r\nHost: 127.0.0.1:" + std::to_string(d.port()) + "\r\n\r\n",
        "GET /a%00b HTTP/1.1\r\nHost: 127.0.0.1:" + std::to_string(d.port()) + "\r\n\r\n",
        "GET /%ff HTTP/1.1\r\nHost: 127.0.0.1:" + std::to_string(d.port()) + "\r\n\r\n"}) {
    Client c(d.port());
    c.raw(text);
    EXPECT_EQ(c.read().status, 400) << text;
  }
  Client c(d.port());
  c.raw("GET / HTTP/1.1\r\nX: " + std::string(40000, 'x') + "\r\n\r\n");
  EXPECT_EQ(c.read().status, 431);
  EXPECT_EQ(d.get("/api/about").status, 200);
}

TEST(Server, BodiesHaveTheirLimits) {
  const Desk1 d;
  EXPECT_EQ(ask(d.port(), "POST", "/api/cases", std::string(3 << 20, ' ')).status, 413);
  EXPECT_EQ(ask(d.port(), "POST", "/api/cases", "no json").status, 400);
  EXPECT_EQ(ask(d.port(), "POST", "/api/cases", "[]").status, 400);
  EXPECT_EQ(ask(d.port(), "POST", "/api/cases", "{\"name\":" + std::string(1 << 20, '[')).status, 400);
  EXPECT_EQ(ask(d.port(), "GET", "/api/about", "body").status, 413);
  Client c(d.port());  // in chunks, so that no length is announced
  c.raw("POST /api/cases HTTP/1.1\r\nX-Rayset: 1\r\nHost: 127.0.0.1:" + std::to_string(d.port()) +
        "\r\nTransfer-Encoding: chunked\r\n\r\n300000\r\n" + std::string(0x300000, ' '));
  EXPECT_EQ(c.read().status, 413);
}

TEST(Server, AConnectionServesManyRequests) {
  const Desk1 d;
  Client c(d.port());
  const std::string id = c.send("POST", "/api/cases", R"({"name":"a"})").json()["id"];
  for (int n = 0; n < 20; ++n) EXPECT_EQ(c.send("GET", "/api/cases/" + id).status, 200);
  EXPECT_EQ(c.send("GET", "/api/nothing").status, 404);
  EXPECT_EQ(c.send("GET", "/api/about").status, 200);
}

TEST(Server, SlowAndSilentConnectionsAreEnded) {
  HttpSettings http;
  http.header_s = 1;
  http.body_s = 1;
  const Desk1 d(http);
  const auto start = std::chrono::steady_clock::now();
  Client silent(d.port());
  silent.raw("GET / HT");
  EXPECT_EQ(silent.read().status, 0);
  const std::string id = d.newCase();
  Client slow(d.port());
  slow.raw("PUT /api/cases/" + id + "/upload/images/a HTTP/1.1\r\nX-Rayset: 1\r\nHost: 127.0.0.1:" +
           std::to_string(d.port()) + "\r\nContent-Length: 1000\r\n\r\nsome");
  EXPECT_EQ(slow.read().status, 0);
  EXPECT_LT(std::chrono::steady_clock::now() - start, std::chrono::seconds(20));
  EXPECT_TRUE(d.get("/api/cases/" + id).json()["uploads"]["images"].empty());
}

TEST(Server, TooManyConnectionsAreToldSo) {
  HttpSettings http;
  http.connections = 3;
  const Desk1 d(http);
  std::vector<std::unique_ptr<Client>> held;
  for (int n = 0; n < 3; ++n) {
    held.push_back(std::make_unique<Client>(d.port()));
    EXPECT_EQ(held.back()->send("GET", "/api/about").status, 200);
  }
  Client more(d.port());
  EXPECT_EQ(more.read().status, 503);
  held.clear();
  for (int n = 0; n < 100; ++n) {
    if (d.get("/api/about").status == 200) return;
    std::this_thread::sleep_for(std::chrono::milliseconds(20));
  }
  FAIL() << "ended connections must make room";
}

// ---------------------------------------------------------------------------------------------- the page

TEST(Server, ThePageAndItsParts) {
  const Desk1 d;
  EXPECT_THAT(d.get("/").body, HasSubstr("<title>page"));
  EXPECT_EQ(d.get("/watch/abc").body, d.get("/").body);
  EXPECT_EQ(d.get("/watch").status, 404);
  const Answer plain = d.get("/assets/page.js");
  EXPECT_EQ(plain.body, "let plain;");
  EXPECT_THAT(plain.header("Content-Type"), HasSubstr("text/javascript"));
  const Answer packed = d.get("/assets/page.js", {{"Accept-Encoding", "br, gzip"}});
  EXPECT_EQ(packed.body, "packed");
  EXPECT_EQ(packed.header("Content-Encoding"), "gzip");
  EXPECT_THAT(packed.header("Content-Type"), HasSubstr("text/javascript"));
  EXPECT_EQ(d.get("/assets/page.js", {{"If-None-Match", plain.header("ETag")}}).status, 304);
  EXPECT_NE(plain.header("ETag"), packed.header("ETag"));
}

TEST(Server, NothingOutsideThePageIsShown) {
  const Desk1 d;
  for (const char* target : {"/assets/../outside.txt", "/assets/..%2foutside.txt", "/assets/%2e%2e/outside.txt",
                             "/assets/.secret", "/assets/link.txt", "/assets//page.js", "/assets/", "/outside.txt",
                             "/assets/..%5coutside.txt", "/../outside.txt", "/page.js", "/assets/sub"}) {
    const Answer a = d.get(target);
    EXPECT_TRUE(a.status == 404 || a.status == 400) << target << " " << a.status;
    EXPECT_THAT(a.body, Not(HasSubstr("outside\n"))) << target;
    EXPECT_NE(a.body, "outside") << target;
  }
}

TEST(Server, SaysWhereThePageIsMissing) {
  const Folder folder;
  const auto server = Server::start({folder.path / "cases", folder.path / "no-web", {}, "1", test::resources()});
  ASSERT_TRUE(server);
  const Answer a = ask((*server)->port(), "GET", "/");
  EXPECT_EQ(a.status, 404);
  EXPECT_THAT(a.body, HasSubstr("--web"));
}

// ---------------------------------------------------------------------------------------------- cases and edits

TEST(Server, CasesAreMadeFoundAndEdited) {
  const Desk1 d;
  const std::string id = d.newCase("First");
  const Json fresh = d.get("/api/cases/" + id).json();
  EXPECT_EQ(fresh["name"], "First");
  EXPECT_EQ(fresh["status"], "empty");
  EXPECT_EQ(fresh["plan"], nullptr);
  EXPECT_EQ(fresh["can_undo"], nullptr);
  const Answer named = d.post("/api/cases/" + id + "/edits", {{"kind", "case.name"}, {"text", "Second"}});
  ASSERT_EQ(named.status, 200) << named.body;
  EXPECT_EQ(named.json()["state"]["name"], "Second");
  EXPECT_EQ(named.json()["seq"], named.json()["state"]["seq"]);
  EXPECT_EQ(named.json()["state"]["can_undo"], "named \"Second\"");
  d.post("/api/cases/" + id + "/edits", {{"kind", "case.notes"}, {"text", "fell from a horse"}});
  EXPECT_EQ(d.get("/api/cases?search=HORSE").json()[0]["id"], id);
  EXPECT_EQ(d.get("/api/cases?search=cow").json().size(), 0U);
  EXPECT_EQ(d.get("/api/cases?search=fell%20from+a").json().size(), 1U);
  const Json undone = d.post("/api/cases/" + id + "/undo").json();
  EXPECT_EQ(undone["state"]["notes"], "");
  EXPECT_EQ(undone["state"]["can_redo"], "notes");
  EXPECT_EQ(d.post("/api/cases/" + id + "/undo").json()["state"]["name"], "First");
  EXPECT_EQ(d.post("/api/cases/" + id + "/undo").status, 400);
  EXPECT_EQ(d.post("/api/cases/" + id + "/redo").json()["state"]["name"], "Second");
  EXPECT_EQ(d.post("/api/cases/" + id + "/redo").json()["state"]["notes"], "fell from a horse");
  EXPECT_EQ(d.post("/api/cases/" + id + "/redo").status, 400);
  EXPECT_EQ(d.get("/api/cases/" + id).json()["history"].size(), 6U);
  d.post("/api/cases/" + id + "/edits", {{"kind", "case.hide"}, {"hidden", true}});
  EXPECT_EQ(d.get("/api/cases").json().size(), 0U);
  EXPECT_EQ(d.get("/api/cases?hidden=1").json().size(), 1U);
}

TEST(Server, WhatIsSentAgainIsAnsweredAgainAndStoredOnce) {
  const Desk1 d;
  const std::string id = d.newCase("First"), base = "/api/cases/" + id;
  const Json named{{"kind", "case.name"}, {"text", "Second"}, {"token", "one"}};
  const Answer first = d.post(base + "/edits", named);
  ASSERT_EQ(first.status, 200) << first.body;
  // Another one's edit lies between, of the same kind.
  d.post(base + "/edits", {{"kind", "case.name"}, {"text", "Third"}, {"token", "two"}});
  const Answer again = d.post(base + "/edits", named);
  ASSERT_EQ(again.status, 200) << again.body;
  EXPECT_EQ(again.json()["seq"], first.json()["seq"]);
  EXPECT_EQ(again.json()["state"]["name"], "Third") << "the state as it is now";
  EXPECT_EQ(again.json()["state"]["history"].size(), 2U);
  const Answer undone = d.post(base + "/undo", {{"token", "three"}});
  EXPECT_EQ(d.post(base + "/undo", {{"token", "three"}}).json()["seq"], undone.json()["seq"]);
  EXPECT_EQ(d.get(base).json()["name"], "Second") << "taken back once";
  for (const Json& token : std::vector<Json>{5, nullptr, std::string(65, 'x')})
    EXPECT_EQ(d.post(base + "/edits", {{"kind", "case.name"}, {"text", "x"}, {"token", token}}).status, 400) << token;
}

TEST(Server, WrongRequestsAreToldInWords) {
  const Desk1 d;
  const std::string id = d.newCase(), base = "/api/cases/" + id;
  EXPECT_EQ(d.post("/api/cases", {{"name", ""}}).status, 400);
  EXPECT_EQ(d.post("/api/cases", {{"name", 5}}).status, 400);
  EXPECT_EQ(d.post("/api/cases", {{"name", std::string(300, 'x')}}).status, 400);
  for (const Json& edit : std::vector<Json>{{{"text", "x"}},
                                            {{"kind", 7}},
                                            {{"kind", "nothing"}},
                                            {{"kind", "undo"}},
                                            {{"kind", "plan"}},
                                            {{"kind", "case.name"}},
                                            {{"kind", "case.name"}, {"text", 3}},
                                            {{"kind", "case.name"}, {"text", "  "}},
                                            {{"kind", "case.name"}, {"text", "a"}, {"more", 1}},
                                            {{"kind", "case.hide"}, {"hidden", "no"}},
                                            {{"kind", "surgery.date"}, {"date", "2026-02-30"}},
                                            {{"kind", "bones.edit"}, {"edits", {{"seeds", Json::array()}}}},
                                            {{"kind", "device.remove"}, {"id", "S1"}}}) {
    const Answer a = d.post(base + "/edits", edit);
    EXPECT_EQ(a.status, 400) << edit;
    EXPECT_FALSE(a.json()["error"]["what"].get<std::string>().empty()) << edit;
  }
  EXPECT_TRUE(d.get(base).json()["history"].empty()) << "nothing was stored";
  for (const char* what : {"/mesh/M1", "/slice?ray=2", "/film"}) EXPECT_EQ(d.get(base + what).status, 400) << what;
  EXPECT_EQ(d.post(base + "/try", {{"kind", "device.set"}}).status, 400);
  EXPECT_EQ(d.post(base + "/import", {{"part", "images"}}).status, 400);
  EXPECT_EQ(d.post(base + "/import", {{"part", "elsewhere"}}).status, 400);
  EXPECT_EQ(d.post(base + "/plan").status, 400);
  EXPECT_EQ(d.post(base + "/verify").status, 400);
  EXPECT_EQ(d.get(base + "/followup.ics").status, 400);
  for (const char* target :
       {"/api/cases/none", "/api/cases/..", "/api/cases/%2e%2e/files/x", "/api", "/api/x", "/api/events?case=none"})
    EXPECT_EQ(d.get(target).status, 404) << target;
  EXPECT_EQ(d.get(base + "/thumbnail").status, 404);
  EXPECT_EQ(d.get(base + "/nothing").status, 404);
  EXPECT_EQ(d.post(base + "/nothing").status, 404);
  EXPECT_EQ(ask(d.port(), "DELETE", "/api/jobs/j99").status, 404);
  EXPECT_EQ(ask(d.port(), "DELETE", base).status, 404) << "cases are never removed";
}

TEST(Server, TellsWhatItMakesOnTheSpot) {
  const Desk1 d;
  const std::string id = d.newCase("A, \"B\""), base = "/api/cases/" + id;
  d.post(base + "/edits", {{"kind", "surgery.date"}, {"date", "2026-01-05"}});
  const Answer json = d.get(base + "/case.json");
  EXPECT_EQ(json.json()["schema"], "rayset.case/1");
  EXPECT_EQ(json.json()["history"][0]["payload"]["date"], "2026-01-05");
  EXPECT_THAT(d.get(base + "/measures.csv").body, HasSubstr("state,key,name,value,unit"));
  EXPECT_THAT(d.get(base + "/followup.ics").body, HasSubstr("BEGIN:VCALENDAR\r\n"));
  EXPECT_EQ(d.get(base + "/exports").json().size(), 0U);
  EXPECT_EQ(d.get(base + "/all.zip").body.substr(0, 2), "PK");
}

TEST(Csv, QuotesAsItShould) {
  const Json state{{"plan", nullptr},
                   {"measures_drawn",
                    {{{"id", "a,b"},
                      {"view", "say \"x\"\nnext"},
                      {"kind", "distance"},
                      {"state", "injured"},
                      {"value", 1.5},
                      {"unit", "mm"}}}}};
  EXPECT_EQ(measuresCsv(state, english()),
            "state,key,name,value,unit,limit,limit_on,limit_is,other_side,difference,abnormal,source,certainty,note\r\n"
            "injured,\"a,b\",distance drawn by hand,1.5,mm,,,,,,,drawn by hand,,\"say \"\"x\"\"\nnext\"\r\n");
}

// ---------------------------------------------------------------------------------------------- uploads and jobs

std::string finished(const Desk1& d, const std::string& id, Ear& ear, const std::string& job) {
  const std::regex ends("\"job\":\"" + job + "\"[^\\n]*\"state\":\"(done|failed|cancelled)\"");
  for (int n = 0; n < 6000; ++n) {
    const std::string heard = ear.heard();
    std::smatch m;
    if (std::regex_search(heard, m, ends)) {
      EXPECT_EQ(d.get("/api/cases/" + id).json()["job"], nullptr);
      return m[1];
    }
    std::this_thread::sleep_for(std::chrono::milliseconds(50));
  }
  return "never";
}

TEST(Server, UploadsAreKeptListedAndDropped) {
  const Desk1 d;
  const std::string id = d.newCase(), base = "/api/cases/" + id;
  std::string big(1'500'000, '\0');
  for (std::size_t n = 0; n < big.size(); ++n) big[n] = static_cast<char>(n * 7 >> 3U);
  EXPECT_EQ(ask(d.port(), "PUT", base + "/upload/images/b.dcm", big).status, 204);
  EXPECT_EQ(ask(d.port(), "PUT", base + "/upload/images/a%20%C3%A4.dcm", "small").status, 204);
  EXPECT_EQ(ask(d.port(), "PUT", base + "/upload/followup/f.dcm", "").status, 204);
  const Json uploads = d.get(base).json()["uploads"];
  ASSERT_EQ(uploads["images"].size(), 2U);
  EXPECT_EQ(uploads["images"][0]["name"], "a \xC3\xA4.dcm");
  EXPECT_EQ(uploads["images"][1]["bytes"], big.size());
  std::ifstream in(d.folder.path / "cases/cases" / id / ".upload/images/b.dcm", std::ios::binary);
  EXPECT_EQ(std::string(std::istreambuf_iterator<char>(in), {}), big);
  EXPECT_EQ(ask(d.port(), "PUT", base + "/upload/images/b.dcm", "again").status, 204);
  EXPECT_EQ(d.get(base).json()["uploads"]["images"][1]["bytes"], 5);
  EXPECT_EQ(ask(d.port(), "DELETE", base + "/upload/images").status, 204);
  EXPECT_EQ(d.get(base).json()["uploads"]["images"].size(), 0U);
  EXPECT_EQ(d.get(base).json()["uploads"]["followup"].size(), 1U);
  for (const char* bad : {"/upload/images/.hidden", "/upload/images/..", "/upload/images/..%2fx",
                          "/upload/images/a%5cb", "/upload/elsewhere/a", "/upload/images/a/b", "/upload/images"})
    EXPECT_THAT(ask(d.port(), "PUT", base + bad, "x").status, ::testing::AnyOf(400, 404)) << bad;
  EXPECT_EQ(ask(d.port(), "PUT", "/api/cases/none/upload/images/a", "x").status, 404);
  EXPECT_EQ(ask(d.port(), "DELETE", base + "/upload/elsewhere").status, 404);
}

TEST(Server, AnUploadThatIsCutOffLeavesNothing) {
  const Desk1 d;
  const std::string id = d.newCase();
  const fs::path folder = d.folder.path / "cases/cases" / id / ".upload/images";
  {
    Client c(d.port());
    c.raw("PUT /api/cases/" + id + "/upload/images/a HTTP/1.1\r\nX-Rayset: 1\r\nHost: 127.0.0.1:" +
          std::to_string(d.port()) + "\r\nContent-Length: 1000000\r\n\r\n" + std::string(300000, 'x'));
    for (int n = 0; n < 500 && (!fs::exists(folder) || fs::is_empty(folder)); ++n)
      std::this_thread::sleep_for(std::chrono::milliseconds(10));
    ASSERT_FALSE(fs::is_empty(folder)) << "the upload was under way";
    c.close();
  }
  for (int n = 0; n < 500 && !fs::is_empty(folder); ++n) std::this_thread::sleep_for(std::chrono::milliseconds(10));
  EXPECT_TRUE(fs::is_empty(folder));
  EXPECT_TRUE(d.get("/api/cases/" + id).json()["uploads"]["images"].empty());
}

TEST(Server, ImportsRefuseWhatIsNoCt) {
  const Desk1 d;
  const std::string id = d.newCase(), base = "/api/cases/" + id;
  Ear ear(d.port(), "/api/events?case=" + id);
  ASSERT_TRUE(ear.hears("event: case"));
  ask(d.port(), "PUT", base + "/upload/images/a.txt", "no image");
  const Answer started = d.post(base + "/import", {{"part", "images"}});
  ASSERT_EQ(started.status, 202);
  EXPECT_EQ(finished(d, id, ear, started.json()["job"]), "failed");
  EXPECT_THAT(ear.heard(), HasSubstr("\"error\":{\"what\":"));
  const Json state = d.get(base).json();
  EXPECT_EQ(state["status"], "empty");
  EXPECT_EQ(state["uploads"]["images"].size(), 1U) << "what was sent is kept for another try";
  EXPECT_FALSE(fs::exists(d.folder.path / "cases/cases" / id / "images"));
  EXPECT_FALSE(fs::exists(d.folder.path / "cases/cases" / id / ".work"));
}

TEST(Server, TwoClientsOnOneCase) {
  const Desk1 d;
  const std::string id = d.newCase(), base = "/api/cases/" + id;
  Ear ear(d.port(), "/api/events?case=" + id);
  ASSERT_TRUE(ear.hears("event: case"));
  {
    std::vector<std::jthread> clients;
    for (int c = 0; c < 2; ++c)
      clients.emplace_back([&d, &base, c] {
        Client client(d.port());
        for (int n = 0; n < 20; ++n) {
          const Json edit{{"kind", "case.notes"}, {"text", std::to_string(c) + " " + std::to_string(n)}};
          const Answer a = client.send("POST", base + "/edits", edit.dump());
          EXPECT_EQ(a.status, 200) << a.body;
          EXPECT_GE(a.json()["state"]["seq"], a.json()["seq"]);
        }
      });
  }
  const Json state = d.get(base).json();
  ASSERT_EQ(state["history"].size(), 40U);
  for (std::size_t n = 1; n < 40; ++n) EXPECT_GT(state["history"][n]["seq"], state["history"][n - 1]["seq"]);
  EXPECT_TRUE(ear.hears("\"seq\":" + state["seq"].dump())) << "the other client hears of it";
}

TEST(Server, EndsWhileClientsListen) {
  auto d = std::make_unique<Desk1>();
  const std::string id = d->newCase();
  Ear ear(d->port(), "/api/events"), other(d->port(), "/api/events?case=" + id);
  ASSERT_TRUE(other.hears("event: case"));
  Client idle(d->port());
  EXPECT_EQ(idle.send("GET", "/api/about").status, 200);
  const auto start = std::chrono::steady_clock::now();
  d->server.reset();
  EXPECT_LT(std::chrono::steady_clock::now() - start, std::chrono::seconds(3));
}

TEST(Jobs, RunOneAfterTheOtherAndStop) {
  std::mutex mutex;
  std::vector<Json> told;
  std::atomic<bool> running{false}, second{false};
  Jobs jobs([&](const std::string&, const Json& job) {
    const std::lock_guard lock(mutex);
    told.push_back(job);
  });
  const auto a = jobs.add("a", "plan", [&](const Progress& p) -> Status {
    running = true;
    p("bones", 0.5);
    while (!p.cancelled()) std::this_thread::sleep_for(std::chrono::milliseconds(1));
    return cancelledError();
  });
  const auto b = jobs.add("b", "plan", [&](const Progress&) -> Status {
    second = true;
    return {};
  });
  ASSERT_TRUE(a && b);
  EXPECT_FALSE(jobs.add("a", "import", [](const Progress&) -> Status { return {}; })) << "one a case";
  while (!running) std::this_thread::sleep_for(std::chrono::milliseconds(1));
  EXPECT_FALSE(second);
  EXPECT_EQ(jobs.of("a")["state"], "running");
  EXPECT_TRUE(jobs.cancel(*a));
  for (int n = 0; n < 5000 && !jobs.of("b").is_null(); ++n) std::this_thread::sleep_for(std::chrono::milliseconds(1));
  EXPECT_TRUE(second);
  EXPECT_FALSE(jobs.cancel(*a));
  const auto c = jobs.add("c", "plan", [](const Progress&) -> Status { throw std::runtime_error("surprise"); });
  for (int n = 0; n < 5000 && !jobs.of("c").is_null(); ++n) std::this_thread::sleep_for(std::chrono::milliseconds(1));
  for (int n = 0; n < 1000; ++n) {
    const std::lock_guard lock(mutex);
    if (told.back()["job"] == *c && told.back()["state"] != "running") break;
  }
  const std::lock_guard lock(mutex);
  const auto last = [&](const std::string& id) {
    Json out;
    for (const Json& j : told)
      if (j["job"] == id) out = j;
    return out;
  };
  EXPECT_EQ(last(*a)["state"], "cancelled");
  EXPECT_EQ(last(*b)["state"], "done");
}

// ---------------------------------------------------------------------------------------------- the program

/// `rayset serve` as its own process.
class Program {
 public:
  /// What it says on standard error is in the folder's file `said`.
  explicit Program(const fs::path& cases, const std::vector<std::string>& more = {}) {
    int ends[2];
    EXPECT_EQ(pipe(ends), 0);
    posix_spawn_file_actions_t actions;
    posix_spawn_file_actions_init(&actions);
    posix_spawn_file_actions_adddup2(&actions, ends[1], 1);
    posix_spawn_file_actions_addclose(&actions, ends[0]);
    posix_spawn_file_actions_addopen(&actions, 2, (cases / "said").c_str(), O_WRONLY | O_CREAT | O_TRUNC, 0600);
    std::vector<std::string> words{RAYSET_PROGRAM, "serve", "--cases", cases.string()};
    words.insert(words.end(), more.begin(), more.end());
    std::vector<char*> arguments;
    for (std::string& w : words) arguments.push_back(w.data());
    arguments.push_back(nullptr);
    EXPECT_EQ(posix_spawn(&pid_, RAYSET_PROGRAM, &actions, nullptr, arguments.data(), environ), 0);
    posix_spawn_file_actions_destroy(&actions);
    close(ends[1]);
    std::string said;
    char c = 0;
    while (said.find('\n') == std::string::npos && ::read(ends[0], &c, 1) == 1) said += c;
    close(ends[0]);
    std::smatch m;
    if (std::regex_search(said, m, std::regex("127\\.0\\.0\\.1:(\\d+)")))
      port = static_cast<std::uint16_t>(std::stoi(m[1]));
    EXPECT_NE(port, 0) << said;
  }
  /// Its exit status, or minus the signal that ended it.
  int end(int signal) {
    kill(pid_, signal);
    int status = 0;
    waitpid(pid_, &status, 0);
    pid_ = 0;
    return WIFEXITED(status) ? WEXITSTATUS(status) : -WTERMSIG(status);
  }
  ~Program() {
    if (pid_ != 0) (void)end(SIGKILL);
  }
  Program(const Program&) = delete;
  Program& operator=(const Program&) = delete;
  std::uint16_t port = 0;

 private:
  pid_t pid_ = 0;
};

TEST(Serve, EndsCleanly) {
  const Folder folder;
  for (const int signal : {SIGINT, SIGTERM}) {
    Program p(folder.path);
    EXPECT_EQ(ask(p.port, "GET", "/api/about").status, 200);
    EXPECT_EQ(p.end(signal), 0);
    const std::string said = test::readAll(folder.path / "said");
    EXPECT_EQ(Json::parse(said.substr(0, said.find('\n')))["event"], "started");
    EXPECT_THAT(said, HasSubstr("\"event\":\"ended\""));
  }
}

TEST(Serve, KeepsItsLogWhereItIsTold) {
  const Folder folder;
  const fs::path log = folder.path / "log.jsonl";
  Program p(folder.path, {"--log", log.string()});
  EXPECT_EQ(ask(p.port, "GET", "/api/about").status, 200);
  EXPECT_EQ(p.end(SIGTERM), 0);
  EXPECT_EQ(test::readAll(folder.path / "said"), "");
  EXPECT_THAT(test::readAll(log), HasSubstr("\"path\":\"/api/about\",\"status\":200"));
}

TEST(Serve, WhatWasAnsweredSurvivesAKill) {
  const Folder folder;
  std::string id;
  {
    Program p(folder.path);
    id = ask(p.port, "POST", "/api/cases", R"({"name":"Killed"})").json()["id"];
  }
  std::mt19937 random(99);
  std::uniform_int_distribution<int> pause(5, 150);
  std::vector<std::int64_t> acknowledged;
  for (int round = 0; round < 8; ++round) {
    Program p(folder.path);
    std::atomic<bool> over{false};
    std::thread killer([&] {
      std::this_thread::sleep_for(std::chrono::milliseconds(pause(random)));
      p.end(SIGKILL);
      over = true;
    });
    try {
      Client c(p.port);
      while (!over) {
        const Answer a = c.send("POST", "/api/cases/" + id + "/edits", R"({"kind":"case.notes","text":"n"})");
        if (a.status != 200) break;
        acknowledged.push_back(a.json()["seq"]);
      }
    } catch (const boost::system::system_error&) {
      // The connection went with the server.
    }
    killer.join();
  }
  Program p(folder.path);
  std::vector<std::int64_t> found;
  const Json state = ask(p.port, "GET", "/api/cases/" + id).json();
  for (const Json& row : state["history"]) found.push_back(row["seq"]);
  EXPECT_GT(acknowledged.size(), 8U);
  EXPECT_TRUE(std::is_sorted(found.begin(), found.end()));
  EXPECT_TRUE(std::includes(found.begin(), found.end(), acknowledged.begin(), acknowledged.end()));
  EXPECT_LE(found.size(), acknowledged.size() + 8);
  const Answer after = ask(p.port, "POST", "/api/cases/" + id + "/edits", R"({"kind":"case.notes","text":"goes on"})");
  EXPECT_EQ(after.json()["state"]["notes"], "goes on");
}

}  // namespace
}  // namespace rayset::server
