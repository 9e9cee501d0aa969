#include "server/fields.h"
#include "server/files.h"
#include "server/handlers.h"
#include "server/replies.h"

namespace rayset::server {

namespace {
constexpr const char* kAdvice = "Rayset advises; a licensed surgeon decides. Not a medical device.";
}

Reply page(Station& station, Request& request) {
  const auto& web = station.settings.web;
  const auto index = fileBelow(web, {"index.html"});
  if (!index.empty()) return fileReply(index, request);
  return errorReply(404, {Fault::kRequest, "the page is not built", web.string(),
                          "Build it (npm run build in web/) or give its folder with --web."});
}

Reply asset(Station& station, Request& request) {
  const auto& s = request.segments;
  const auto file = fileBelow(station.settings.web, {s.begin() + 1, s.end()});
  return file.empty() ? notFound(s.back()) : fileReply(file, request);
}

Reply about(Station& station, Request&) {
  return jsonReply({{"version", station.settings.version}, {"advice", kAdvice}});
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
