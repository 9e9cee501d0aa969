#include <fmt/format.h>

#include "server/fields.h"
#include "server/handlers.h"
#include "server/replies.h"

namespace rayset::server {
namespace {

constexpr std::size_t kLongestToken = 64;  // bytes

/// Body and token of a request that changes something.
struct Change {
  Json body;
  std::string token;
};
tl::expected<Change, Reply> changeOf(const Request& request) {
  auto body = bodyOf(request);
  if (!body) return tl::unexpected(std::move(body.error()));
  const Json token = body->value("token", Json(""));
  if (!token.is_string() || token.get_ref<const std::string&>().size() > kLongestToken)
    return tl::unexpected(
        badRequest(Message("server.token_text_most_bytes", {{"longest_token", kLongestToken}}), "token"));
  return Change{std::move(*body), token.get<std::string>()};
}

/// Kind and payload of an edit, the rest removed.
tl::expected<std::pair<std::string, Json>, Reply> editOf(Json body) {
  const Json kind = body.value("kind", Json(nullptr));
  if (!kind.is_string()) return tl::unexpected(badRequest("server.edit_needs_kind", "kind"));
  body.erase("kind");
  body.erase("token");
  return std::pair{kind.get<std::string>(), std::move(body)};
}

Reply announced(Station& station, const std::string& id, const Result<Json>& result) {
  if (result) station.announce(id);
  return replyOf(result);
}

}  // namespace

Reply listCases(Station& station, Request& request) {
  const Fields fields(request.query);
  const auto rows = station.library->list(fields.text("search"), fields.text("hidden") == "1");
  if (!rows) return errorReply(rows.error());
  Json list = Json::array();
  for (const CaseRow& row : *rows)
    list.push_back({{"id", row.id},
                    {"name", row.name},
                    {"created", row.created},
                    {"updated", row.updated},
                    {"seq", row.seq},
                    {"hidden", row.hidden},
                    {"summary", row.summary}});
  return jsonReply(list);
}

Reply newCase(Station& station, Request& request) {
  const auto body = bodyOf(request);
  if (!body) return body.error();
  const std::string name = textOf(*body, "name");
  if (name.find_first_not_of(' ') == std::string::npos || name.size() > 200)
    return badRequest("server.case_needs_name_most_200_bytes", "name", Message("server.give_name"));
  const auto made = station.cases->create(name);
  if (!made) return errorReply(made.error());
  request.case_id = made->at("id").get<std::string>();
  station.announce(request.case_id);
  return jsonReply(*made, 201);
}

Reply caseState(Station& station, Request& request) { return replyOf(station.cases->state(request.case_id)); }

Reply edit(Station& station, Request& request) {
  auto change = changeOf(request);
  if (!change) return change.error();
  const auto edit = editOf(std::move(change->body));
  if (!edit) return edit.error();
  const std::string& id = request.case_id;
  return announced(station, id, station.cases->edit(id, edit->first, edit->second, change->token));
}

Reply tryEdit(Station& station, Request& request) {
  auto change = changeOf(request);
  if (!change) return change.error();
  const auto edit = editOf(std::move(change->body));
  if (!edit) return edit.error();
  return replyOf(station.cases->tryEdit(request.case_id, edit->first, edit->second));
}

Reply undo(Station& station, Request& request) {
  const auto change = changeOf(request);
  if (!change) return change.error();
  return announced(station, request.case_id, station.cases->undo(request.case_id, change->token));
}

Reply redo(Station& station, Request& request) {
  const auto change = changeOf(request);
  if (!change) return change.error();
  return announced(station, request.case_id, station.cases->redo(request.case_id, change->token));
}

}  // namespace rayset::server
