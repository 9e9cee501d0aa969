#include "workspace/edit_fields.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "base/dates.h"
#include "base/utf8.h"
#include "base/words.h"

namespace rayset {
namespace {

constexpr double kFarMm = 5000;  // no scanner reaches farther from its origin
constexpr const char* kPointForm = "Write [x, y, z], millimetres in the patient frame (LPS).";

tl::unexpected<Error> wrong(std::string what, const std::string& kind, std::string remedy) {
  return fail(Fault::kRequest, std::move(what), kind, std::move(remedy));
}

}  // namespace

namespace fields {

Result<std::string> text(const EditJson* value, const std::string& kind, const std::string& key, std::size_t least,
                         std::size_t most) {
  if (value == nullptr || !value->is_string())
    return wrong(fmt::format("\"{}\" is not a text", key), kind, "Write it in quotes.");
  const auto& s = value->get_ref<const std::string&>();
  const std::size_t length = characterCount(s);
  const std::string range = fmt::format("Give {} to {} characters.", least, most);
  if (length < least || length > most) return wrong(fmt::format("\"{}\" has {} characters", key, length), kind, range);
  if (least > 0 && s.find_first_not_of(" \t\r\n") == std::string::npos)
    return wrong(fmt::format("\"{}\" is blank", key), kind, range);
  return s;
}

Result<std::string> id(const EditJson* value, const std::string& kind, const std::string& key) {
  auto s = text(value, kind, key, 1, 64);
  if (s && !std::all_of(s->begin(), s->end(), [](char c) {
        return (c >= '0' && c <= '9') || (c >= 'A' && c <= 'Z') || (c >= 'a' && c <= 'z') || c == '.' || c == '-' ||
               c == '_';
      }))
    return wrong(fmt::format("\"{}\" is not an id", key), kind, "Use letters, digits, dot, dash and underscore.");
  return s;
}

Result<bool> truth(const EditJson* value, const std::string& kind, const std::string& key) {
  if (value == nullptr || !value->is_boolean())
    return wrong(fmt::format("\"{}\" is neither true nor false", key), kind, "Write true or false.");
  return value->get<bool>();
}

Result<double> number(const EditJson* value, const std::string& kind, const std::string& key, double low, double high,
                      const char* unit) {
  const std::string range = fmt::format("Give a number from {:g} to {:g}{}.", low, high, unit);
  if (value == nullptr || !value->is_number()) return wrong(fmt::format("\"{}\" is not a number", key), kind, range);
  const double v = value->get<double>();
  if (!(v >= low && v <= high)) return wrong(fmt::format("\"{}\" is {:g}", key, v), kind, range);
  return v;
}

Result<Ray> ray(const EditJson* value, const std::string& kind) {
  if (value == nullptr || !value->is_number_integer() || *value < 1 || *value > 5)
    return wrong("\"ray\" is not the number of a ray", kind, "Write 1 to 5.");
  return Ray(value->get<int>());
}

Result<Vec3> point(const EditJson* value, const std::string& kind, const std::string& key) {
  if (value == nullptr) return wrong(fmt::format("\"{}\" is missing", key), kind, kPointForm);
  if (!value->is_array() || value->size() != 3)
    return wrong(fmt::format("\"{}\" is not a point", key), kind, kPointForm);
  Vec3 out;
  for (std::size_t a = 0; a < 3; ++a) {
    const EditJson& x = (*value)[a];
    if (!x.is_number() || !(std::abs(x.get<double>()) <= kFarMm))
      return wrong(fmt::format("\"{}\" is not a point within {:g} mm", key, kFarMm), kind, kPointForm);
    out[static_cast<int>(a)] = x.get<double>();
  }
  return out;
}

Result<std::string> date(const EditJson* value, const std::string& kind, const std::string& key) {
  auto s = text(value, kind, key, 10, 10);
  if (!s || !dayFromIso(*s)) return wrong(fmt::format("\"{}\" is not a date", key), kind, "Write YYYY-MM-DD.");
  return s;
}

Result<std::vector<std::string>> texts(const EditJson* value, const std::string& kind, const std::string& key) {
  std::vector<std::string> out;
  if (value != nullptr && value->is_array())
    for (const EditJson& t : *value) {
      if (!t.is_string()) return wrong(fmt::format("\"{}\" is not a list of texts", key), kind, "");
      out.push_back(t.get<std::string>());
    }
  return out;
}

}  // namespace fields

Status onlyKnownFields(const EditJson& payload, const std::string& kind, const std::vector<std::string>& known,
                       const std::vector<std::string>& alternatives) {
  const std::string names = fmt::format("{}", fmt::join(known, ", "));
  if (!payload.is_object()) return wrong("the edit has no fields", kind, "Send {kind, " + names + "}.");
  const auto among = [](const std::vector<std::string>& list, const std::string& key) {
    return std::find(list.begin(), list.end(), key) != list.end();
  };
  for (const auto& [key, value] : payload.items())
    if (!among(known, key) && !among(alternatives, key))
      return wrong(fmt::format("an unknown field \"{}\"", key.substr(0, 60)), kind, "Known are " + names + ".");
  return {};
}

}  // namespace rayset
