#include "base/message_codec.h"
#include "server/fields.h"
#include "server/files.h"
#include "server/handlers.h"
#include "server/replies.h"

namespace rayset::server {

namespace {
constexpr const char* kAdvice = "server.rayset_advises_licensed_surgeon_decides_not";
}

Reply page(Station& station, Request& request) {
  const auto& web = station.settings.web;
  const auto index = fileBelow(web, {"index.html"});
  if (!index.empty()) return fileReply(index, request);
  return errorReply(
      404, {Fault::kRequest, "server.page_not_built", web.string(), Message("server.build_npm_run_build_web_give")});
}

Reply asset(Station& station, Request& request) {
  const auto& s = request.segments;
  const auto file = fileBelow(station.settings.web, {s.begin() + 1, s.end()});
  return file.empty() ? notFound(s.back()) : fileReply(file, request);
}

Reply about(Station& station, Request&) {
  return jsonReply({{"version", station.settings.version}, {"advice", codec::message().write(kAdvice)}});
}

Reply pageWords(Station& station, Request&) {
  // A script rather than data: there before the page's own begins, with nothing to wait for.
  return bytesReply("text/javascript; charset=utf-8", "globalThis.raysetWords = " + station.words.json() + ";\n");
}

Reply listen(Station& station, Request& request) {
  const std::string id = Fields(request.query).text("case");
  auto listener = station.events.listen(id);
  // A page that reconnects gets the current state at once.
  std::string first = "retry: 1000\n\n";
  if (!id.empty()) {
    const auto row = station.library->find(id);
    if (!row) return notFound(id);
    request.case_id = id;
    first += eventText("case", {{"id", id}, {"seq", row->seq}});
  }
  if (const Json job = station.jobs->of(id); !job.is_null()) first += eventText("job", job);
  Reply reply;
  reply.type = "text/event-stream";
  reply.headers.emplace_back("Cache-Control", "no-store");
  reply.body = std::move(first);
  reply.feed = std::move(listener);
  return reply;
}

}  // namespace rayset::server
