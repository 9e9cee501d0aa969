#include "language/spoken.h"

#include <vector>

#include "base/message_codec.h"

namespace rayset {
namespace {

using Json = nlohmann::ordered_json;
constexpr const char* kTable = "messages";

void speak(Json& at, const std::string& place, const Words& words, Json& table) {
  if (codec::isMessage(at)) {
    const Message message = codec::message().from(at, place);
    if (!message.is("text")) table[place] = at;
    at = words.text(message);
    return;
  }
  if (at.is_array()) {
    for (std::size_t i = 0; i < at.size(); ++i) speak(at[i], place + "/" + std::to_string(i), words, table);
  } else if (at.is_object()) {
    for (auto& [key, value] : at.items()) speak(value, (Json::json_pointer(place) / key).to_string(), words, table);
  }
}

}  // namespace

Json spoken(Json document, const Words& words) {
  Json table = Json::object();
  speak(document, "", words, table);
  if (!table.empty()) document[kTable] = std::move(table);
  return document;
}

Json inWords(Json document, const Words& words) {
  Json table = Json::object();
  speak(document, "", words, table);
  return document;
}

Json unspoken(Json document) {
  if (!document.is_object() || !document.contains(kTable)) return document;
  const Json table = document[kTable];
  if (!table.is_object()) return document;
  for (const auto& [place, message] : table.items()) {
    if (!codec::isMessage(message)) continue;
    try {
      const Json::json_pointer at(place);
      if (document.contains(at) && document[at].is_string()) document[at] = message;
    } catch (const Json::exception&) {  // not a pointer: somebody else's entry
    }
  }
  return document;
}

}  // namespace rayset
