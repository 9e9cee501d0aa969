#include <fmt/format.h>

#include <ctime>

#include "case/followup.h"
#include "server/archive.h"
#include "server/fields.h"
#include "server/files.h"
#include "server/handlers.h"
#include "server/replies.h"

namespace rayset::server {
namespace fs = std::filesystem;
namespace {

constexpr std::size_t kPiece = 256 * 1024;

std::string stampNow() {
  const std::time_t t = std::time(nullptr);
  std::tm utc{};
  gmtime_r(&t, &utc);
  return fmt::format("{:04}{:02}{:02}T{:02}{:02}{:02}Z", utc.tm_year + 1900, utc.tm_mon + 1, utc.tm_mday, utc.tm_hour,
                     utc.tm_min, utc.tm_sec);
}

Result<std::string> calendarText(const Json& state) {
  const Json date = state["followup"]["surgery_date"];
  std::vector<Appointment> plan;
  for (const Json& a : state["followup"]["plan"])
    plan.push_back({a["id"], a["week_from"], a["week_to"], a["title"], a["text"], a["source"], a["certainty"]});
  return followupCalendar(plan, date.is_string() ? date.get<std::string>() : "", state["name"].get<std::string>(),
                          state["id"].get<std::string>(), stampNow());
}

Result<std::string> caseText(const Library& library, const std::string& id, const Json& state) {
  const auto history = library.history(id);
  if (!history) return tl::unexpected(history.error());
  Json rows = Json::array();
  for (const HistoryRow& h : *history) {
    Json row{{"seq", h.seq}, {"at", h.at}, {"kind", h.kind}, {"payload", h.payload}, {"active", h.active}};
    if (h.target != 0) row["target"] = h.target;
    rows.push_back(std::move(row));
  }
  return Json{{"schema", "rayset.case/1"}, {"state", state}, {"history", rows}}.dump(1, ' ', false,
                                                                                     Json::error_handler_t::replace);
}

std::string pathOf(const Export& e) { return fmt::format("{}", fmt::join(e.path, "/")); }

/// A zip that is made file by file as it is sent.
class Zipping : public Sink {
 public:
  Zipping(std::vector<std::pair<std::string, std::string>> texts, std::vector<Export> files)
      : texts_(std::move(texts)), files_(std::move(files)) {
    std::erase_if(files_, [](const Export& e) { return e.file.empty(); });
  }
  bool write(std::string_view bytes) override {
    made_ += bytes;
    return true;
  }
  /// As Reply::pieces.
  std::optional<std::string> next() {
    while (made_.size() < kPiece && !ended_) {
      if (at_ < texts_.size()) {
        if (!zip_.add(texts_[at_].first, texts_[at_].second)) return std::nullopt;
      } else if (at_ < texts_.size() + files_.size()) {
        const Export& e = files_[at_ - texts_.size()];
        if (!zip_.addFile(pathOf(e), e.file)) return std::nullopt;
      } else {
        if (!zip_.finish()) return std::nullopt;
        ended_ = true;
      }
      ++at_;
    }
    return std::exchange(made_, {});
  }

 private:
  std::vector<std::pair<std::string, std::string>> texts_;  ///< names and contents
  std::vector<Export> files_;
  std::string made_;
  ZipWriter zip_{*this};
  std::size_t at_ = 0;
  bool ended_ = false;
};

}  // namespace

Reply exports(Station& station, Request& request) {
  const auto facts = station.cases->facts(request.case_id);
  if (!facts) return errorReply(facts.error());
  Json list = Json::array();
  for (const Export& e : exportsOf(station.library->folder(request.case_id), *facts)) {
    std::error_code problem;
    const auto bytes = e.file.empty() ? 0 : fs::file_size(e.file, problem);
    list.push_back({{"name", e.name},
                    {"what", codec::message().write(e.what)},
                    {"path", pathOf(e)},
                    {"bytes", problem ? 0 : bytes}});
  }
  return jsonReply(list);
}

Reply exported(Station& station, Request& request) {
  const auto& s = request.segments;
  const auto found =
      exportedFile(*station.cases, station.library->folder(request.case_id), request.case_id, {s.begin() + 4, s.end()});
  if (!found) return errorReply(found.error());
  return found->empty() ? notFound(s.back()) : fileReply(*found, request);
}

Reply calendar(Station& station, Request& request) {
  const auto state = station.cases->state(request.case_id);
  if (!state) return errorReply(state.error());
  const auto text = calendarText(*state);
  if (!text) return errorReply(text.error());
  return download("text/calendar; charset=utf-8", "followup.ics", *text);
}

Reply measures(Station& station, Request& request) {
  const auto state = station.cases->state(request.case_id);
  if (!state) return errorReply(state.error());
  return download("text/csv; charset=utf-8; header=present", "measures.csv", measuresCsv(*state, station.words));
}

Reply caseJson(Station& station, Request& request) {
  const auto state = station.cases->state(request.case_id);
  if (!state) return errorReply(state.error());
  const auto text = caseText(*station.library, request.case_id, *state);
  if (!text) return errorReply(text.error());
  return download("application/json", "case.json", *text);
}

/// Everything but the images.
Reply allZip(Station& station, Request& request) {
  const std::string& id = request.case_id;
  const auto state = station.cases->state(id);
  if (!state) return errorReply(state.error());
  auto facts = station.cases->facts(id);
  if (!facts) return errorReply(facts.error());
  if (facts->plan) {
    if (const auto edited = station.cases->editedPlan(id); !edited) return errorReply(edited.error());
    if (const auto films = station.cases->films(id); !films) return errorReply(films.error());
    facts = station.cases->facts(id);
    if (!facts) return errorReply(facts.error());
  }
  const auto text = caseText(*station.library, id, *state);
  if (!text) return errorReply(text.error());
  std::vector<std::pair<std::string, std::string>> texts{{"case.json", *text},
                                                         {"measures.csv", measuresCsv(*state, station.words)}};
  if (const auto ics = calendarText(*state)) texts.emplace_back("followup.ics", *ics);
  Reply reply = download("application/zip", "rayset-case.zip", {});
  const auto zip = std::make_shared<Zipping>(std::move(texts), exportsOf(station.library->folder(id), *facts));
  reply.pieces = [zip] { return zip->next(); };
  return reply;
}

}  // namespace rayset::server
