#include "base/message_codec.h"

#include <array>

namespace rayset::codec {
namespace {

constexpr std::array<const char*, 3> kListKeys{"all", "any", "each"};  // in the order of List::Kind

Json written(const Message& m);

Json written(const Value& value) {
  struct Visitor {
    Json operator()(const std::string& s) const { return s; }
    Json operator()(std::int64_t n) const { return n; }
    Json operator()(const Quantity& q) const {
      Json j{{"value", q.value}, {"decimals", q.decimals}};
      if (q.unit != Unit::kNone) j["unit"] = unitKey(q.unit);
      if (q.with_sign) j["with_sign"] = true;
      return j;
    }
    Json operator()(const Message& m) const { return rayset::codec::written(m); }
    Json operator()(const List& l) const {
      Json items = Json::array();
      for (const Value& v : l.items) items.push_back(rayset::codec::written(v));
      return {{kListKeys[static_cast<std::size_t>(l.kind)], items}};
    }
  };
  return std::visit(Visitor{}, value.held());
}

Json written(const Message& m) {
  if (m.empty()) return "";
  Json j{{"say", m.code()}};
  for (const Argument& a : m.args()) j["with"][a.name] = written(a.value);
  if (!m.subject().empty()) j["about"] = m.subject();
  return j;
}

Message readMessage(const Json& j, const std::string& where);

Value readValue(const Json& j, const std::string& where) {
  if (j.is_string()) return j.get<std::string>();
  if (j.is_number_integer()) return Value(j.get<long>());
  if (isMessage(j)) return readMessage(j, where);
  if (j.is_object() && j.contains("value"))
    return Quantity{j.at("value").is_null() ? std::numeric_limits<double>::quiet_NaN() : j.at("value").get<double>(),
                    unitOf(j.value("unit", "")), j.value("decimals", 1), j.value("with_sign", false)};
  for (std::size_t k = 0; k < kListKeys.size(); ++k) {
    if (!j.is_object() || !j.contains(kListKeys[k])) continue;
    List list{{}, static_cast<List::Kind>(k)};
    for (const Json& item : j.at(kListKeys[k])) list.items.push_back(readValue(item, where));
    return list;
  }
  throw BadField{where, "field.no_argument"};
}

Message readMessage(const Json& j, const std::string& where) {
  if (j.is_null() || j == "") return {};
  if (j.is_string()) return Message::quoted(j.get<std::string>());
  if (!isMessage(j)) throw BadField{where, "field.no_text"};
  std::vector<Argument> args;
  if (const auto with = j.find("with"); with != j.end())
    for (const auto& [name, value] : with->items()) args.push_back({name, readValue(value, where + "/with/" + name)});
  return Message::made(j.at("say").get<std::string>(), std::move(args)).about(j.value("about", ""));
}

}  // namespace

bool isMessage(const Json& j) {
  const auto say = j.is_object() ? j.find("say") : j.end();
  return say != j.end() && say->is_string();
}

Codec<Message> message() {
  Codec<Message> out;
  out.write = [](const Message& m) { return written(m); };
  out.read = [](const Json& j, const std::string& where, Message& into) { into = readMessage(j, where); };
  out.schema = {{"type", "string"}};  // of files: language/spoken.h
  out.type = "string";                // the server sends sentences
  return out;
}

Codec<Message> said() {
  Codec<Message> out = message();
  out.schema["minLength"] = 1;
  return out;
}

Codec<std::vector<Message>> messages() { return list(said()); }

}  // namespace rayset::codec
