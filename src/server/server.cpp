#include "server/server.h"

#include <fmt/format.h>

#include <algorithm>
#include <atomic>
#include <boost/core/demangle.hpp>
#include <typeinfo>

#include "language/spoken.h"
#include "server/handlers.h"
#include "server/replies.h"
#include "server/routes.h"
#include "server/station.h"

namespace rayset::server {

namespace {
constexpr std::uint64_t kBodyLimit = std::uint64_t{2} << 20U;  // edits, in memory
}

struct Server::Impl {
  Station station;
  std::atomic<std::uint16_t> port{0};
  std::unique_ptr<HttpServer> http;  // last: destroyed first

  /// Only our own page may ask, by our own name.
  [[nodiscard]] std::optional<Reply> refusal(const Request& r) const {
    if (r.host != fmt::format("127.0.0.1:{}", port.load()) && r.host != fmt::format("localhost:{}", port.load()))
      return badRequest("server.server_known_another_name", "Host", Message("server.use_address_rayset_printed"));
    if (r.method != "GET" && r.method != "POST" && r.method != "PUT" && r.method != "DELETE") {
      Reply reply = errorReply(405, {Fault::kRequest, "server.method_not_known_here", r.method, ""});
      reply.headers.emplace_back("Allow", "GET, POST, PUT, DELETE");
      return reply;
    }
    if (r.method != "GET" && !r.marked)
      return badRequest("server.request_does_not_come_page_program", "X-Rayset",
                        Message("server.send_header_rayset_1"));
    return std::nullopt;
  }

  /// The route that answers the request. A reply if there is no such route or case.
  tl::expected<const Route*, Reply> find(Request& r) {
    const Route* route = routeOf(r);
    if (route == nullptr) return tl::unexpected(notFound(r.segments.empty() ? r.method : r.segments.back()));
    r.pattern = route->pattern;
    if (route->ofCase()) {
      const std::string& id = r.segments[2];
      if (!station.library->find(id)) return tl::unexpected(notFound(id));
      r.case_id = id;
    }
    return route;
  }

  /// The same with its document in words.
  Reply worded(Reply reply) const {
    if (reply.document)
      reply.body = inWords(*std::exchange(reply.document, std::nullopt), station.words)
                       .dump(-1, ' ', false, Json::error_handler_t::replace);
    return reply;
  }

  tl::expected<Intake, Reply> accept(Request& r) {
    auto intake = accepted(r);
    return intake ? intake : tl::unexpected(worded(std::move(intake.error())));
  }

  tl::expected<Intake, Reply> accepted(Request& r) {
    if (auto refused = refusal(r)) return tl::unexpected(std::move(*refused));
    if (r.method == "POST") return Intake{kBodyLimit, {}};
    if (r.method != "PUT") return Intake{};
    if (auto route = find(r); !route) return tl::unexpected(std::move(route.error()));
    return uploadIntake(station, r);
  }

  Reply answer(Request& r) {
    Reply reply;
    try {
      const auto route = find(r);
      reply = route ? (*route)->answer(station, r) : route.error();
    } catch (const std::bad_alloc&) {
      reply =
          errorReply(500, {Fault::kInternal, "server.not_enough_memory", "", Message("server.close_other_programs")});
    } catch (const std::exception& e) {
      if (station.settings.log) station.settings.log->surprise(r.pattern, boost::core::demangle(typeid(e).name()));
      reply = errorReply(500, {Fault::kInternal, Message("server.something_failed_should_not", {{"what", e.what()}}),
                               "", Message("server.please_report")});
    }
    if (!r.segments.empty() && r.segments[0] == "api" && reply.status != 304 &&
        std::none_of(reply.headers.begin(), reply.headers.end(),
                     [](const auto& h) { return h.first == "Cache-Control"; }))
      reply.headers.emplace_back("Cache-Control", "no-store");
    return worded(std::move(reply));
  }

  void told(const std::string& case_id, const Json& job) {
    station.events.send(case_id, "job", inWords(job, station.words));
    if (!station.settings.log) return;
    const auto text = [&job](const char* key) { return job.at(key).get<std::string>(); };
    if (text("state") != "running" || text("stage") == "waiting")
      station.settings.log->job(text("job"), text("kind"), text("state") == "running" ? "added" : text("state"),
                                case_id);
  }
};

Server::Server(std::unique_ptr<Impl> impl) : impl_(std::move(impl)) {}

Result<std::unique_ptr<Server>> Server::start(const ServerSettings& settings) {
  auto library = Library::open(settings.cases);
  if (!library) return tl::unexpected(library.error());
  auto impl = std::make_unique<Impl>();
  Impl* raw = impl.get();
  Station& station = raw->station;
  station.settings = settings;
  station.words = settings.resources.words.in("page");
  station.library = std::move(*library);
  sweep(*station.library);
  station.jobs = std::make_unique<Jobs>([raw](const std::string& id, const Json& job) { raw->told(id, job); });
  station.cases = std::make_unique<OpenCases>(*station.library, *station.jobs, station.settings.resources);
  Handler handler;
  handler.accept = [raw](Request& r) { return raw->accept(r); };
  handler.answer = [raw](Request& r) { return raw->answer(r); };
  handler.refuse = [raw](int status, const Error& e) { return raw->worded(errorReply(status, e)); };
  if (settings.log)
    handler.done = [log = settings.log](const Request& r, int status, std::chrono::milliseconds time) {
      log->request(r.method, r.pattern, status, time, r.case_id);
    };
  auto http = HttpServer::start(settings.http, std::move(handler));
  if (!http) return tl::unexpected(http.error());
  raw->http = std::move(*http);
  raw->port = raw->http->port();
  if (settings.log) settings.log->started(settings.version, raw->port);
  return std::unique_ptr<Server>(new Server(std::move(impl)));
}

Server::~Server() {
  impl_->station.events.close();
  impl_->http.reset();
  impl_->station.jobs.reset();
  if (impl_->station.settings.log) impl_->station.settings.log->ended();
}

std::uint16_t Server::port() const { return impl_->port; }
std::string Server::address() const { return fmt::format("http://127.0.0.1:{}/", port()); }
Result<std::string> Server::add(const AddOrder& order, const Progress& progress) {
  auto id = addPlanned(impl_->station.services(), order, progress);
  if (id) {
    warm(impl_->station, *id);
    impl_->station.announce(*id);
  }
  return id;
}

}  // namespace rayset::server
