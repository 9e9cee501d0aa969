#include "base/message.h"

#include <algorithm>
#include <array>

#include "base/words.h"

namespace rayset {
namespace {

constexpr std::array<std::pair<Unit, std::string_view>, 14> kUnits{{{Unit::kMm, "mm"},
                                                                    {Unit::kMm2, "mm2"},
                                                                    {Unit::kMm3, "mm3"},
                                                                    {Unit::kMl, "ml"},
                                                                    {Unit::kDegrees, "deg"},
                                                                    {Unit::kPercent, "percent"},
                                                                    {Unit::kHu, "hu"},
                                                                    {Unit::kNewtons, "n"},
                                                                    {Unit::kSeconds, "s"},
                                                                    {Unit::kMegabytes, "mb"},
                                                                    {Unit::kKilovolts, "kv"},
                                                                    {Unit::kPixels, "px"},
                                                                    {Unit::kWeeks, "weeks"},
                                                                    {Unit::kDays, "days"}}};
constexpr const char* kQuoted = "text";

bool looksLikeCode(std::string_view s) {
  return s.find_first_not_of("abcdefghijklmnopqrstuvwxyz0123456789_.") == std::string_view::npos &&
         s.find('.') != std::string_view::npos && s.back() != '.';
}

}  // namespace

std::string_view unitKey(Unit unit) {
  for (const auto& [known, key] : kUnits)
    if (known == unit) return key;
  return "";
}

Unit unitOf(std::string_view key) {
  for (const auto& [unit, known] : kUnits)
    if (known == key) return unit;
  return Unit::kNone;
}

Message::Message() = default;
Message::Message(const char* code) {
  if (code[0] == '\0') return;
  if (looksLikeCode(code))
    code_ = code;
  else
    *this = quoted(code);
}
Message::Message(const char* code, std::vector<Argument> args) : code_(code), args_(std::move(args)) {}
Message Message::made(std::string code) { return made(std::move(code), {}); }
Message Message::made(std::string code, std::vector<Argument> args) {
  Message out;
  out.code_ = std::move(code);
  out.args_ = std::move(args);
  return out;
}
Message Message::quoted(std::string text) { return made(kQuoted, {{"text", std::move(text)}}); }
Message::Message(const Message&) = default;
Message::Message(Message&&) noexcept = default;
Message& Message::operator=(const Message&) = default;
Message& Message::operator=(Message&&) noexcept = default;
Message::~Message() = default;

Message Message::about(std::string subject) && {
  subject_ = std::move(subject);
  return std::move(*this);
}

namespace {
bool holdsValue(const Value& value, const Message& part) {
  if (const auto* m = std::get_if<Message>(&value.held())) return m->holds(part);
  const auto* list = std::get_if<List>(&value.held());
  return list != nullptr &&
         std::any_of(list->items.begin(), list->items.end(), [&](const Value& v) { return holdsValue(v, part); });
}
}  // namespace

bool Message::holds(const Message& part) const {
  return *this == part ||
         std::any_of(args_.begin(), args_.end(), [&](const Argument& a) { return holdsValue(a.value, part); });
}

bool operator==(const Message& a, const Message& b) {
  return a.code_ == b.code_ && a.args_ == b.args_ && a.subject_ == b.subject_;
}

Message nameOfKey(std::string_view key) {
  if (key.empty()) return {};
  std::string code = "key.";
  for (const char c : key) code += c == ' ' || c == '-' ? '_' : c;
  return Message::made(std::move(code));
}

Message writeForm(std::string form) { return {"field.write_form", {{"form", std::move(form)}}}; }

Message then(Message first, Message second) {
  if (first.empty()) return second;
  if (second.empty()) return first;
  return {"join.sentences", {{"first", std::move(first)}, {"second", std::move(second)}}};
}

Message capitalised(Message clause) {
  if (clause.empty()) return clause;
  return {"join.capital", {{"clause", std::move(clause)}}};
}

Message sentence(Message clause) {
  if (clause.empty() || clause.is("join.sentence")) return clause;
  if (clause.is(kQuoted))
    return Message::quoted(sentence(std::get<std::string>(clause.args().front().value.held()))).about(clause.subject());
  Message out("join.sentence", {{"clause", clause}});
  return std::move(out).about(clause.subject());
}

bool operator==(const List& a, const List& b) { return a.items == b.items && a.kind == b.kind; }

}  // namespace rayset
