#include "base/codec.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <stdexcept>

#include "base/dates.h"
#include "base/rounded.h"
#include "base/units.h"
#include "base/utf8.h"

namespace rayset::codec {
namespace {

Json rangeSchema(const Range& range) {
  Json j{{"type", "number"}};
  if (range.least) j[range.above ? "exclusiveMinimum" : "minimum"] = *range.least;
  if (range.most) j["maximum"] = *range.most;
  return j;
}

double numberFrom(const Json& j, const std::string& where) {
  if (!j.is_number()) throw BadField{where, "field.no_number"};
  return j.get<double>();
}

}  // namespace

void addTo(Definitions& into, const Definitions& more) {
  for (const Definition& d : more) {
    const auto known =
        std::find_if(into.begin(), into.end(), [&](const Definition& there) { return there.name == d.name; });
    if (known == into.end())
      into.push_back(d);
    else if (known->schema != d.schema || known->typescript != d.typescript)
      throw std::logic_error("two kinds are called " + d.name);
  }
}

Codec<double> number(int digits, const Range& range) {
  return {.write = [digits](const double& v) { return Json(digits < 0 ? v : rounded(v, digits)); },
          .read = [](const Json& j, const std::string& where, double& into) { into = numberFrom(j, where); },
          .schema = rangeSchema(range),
          .type = "number"};
}

Codec<double> numberWithin(double least, double most, Unit unit) {
  Codec<double> out = number(-1, {.least = least, .most = most});
  out.read = [=](const Json& j, const std::string& where, double& into) {
    into = numberFrom(j, where);
    if (!(into >= least && into <= most)) throw BadField{where, {"field.is", {{"value", plain(into)}}}};
  };
  const std::vector<Argument> range{{"least", plain(least)}, {"most", Quantity{most, unit, -1}}};
  out.help = {{"field.form_range", range}, {"field.write_range", range}};
  return out;
}

Codec<double> degrees(int digits, const Range& range) {
  return {.write = [digits](const double& v) { return Json(rounded(toDegrees(v), digits)); },
          .read = [](const Json& j, const std::string& where, double& into) { into = toRadians(numberFrom(j, where)); },
          .schema = rangeSchema(range),
          .type = "number"};
}

Codec<int> integer(int least, int most) {
  constexpr int kAny = std::numeric_limits<int>::max();
  Json schema{{"type", "integer"}, {"minimum", least}};
  if (most != kAny) schema["maximum"] = most;
  return {.write = [](const int& v) { return Json(v); },
          .read =
              [=](const Json& j, const std::string& where, int& into) {
                const double v = numberFrom(j, where);
                if (v != std::floor(v) || v < least || v > most)
                  throw BadField{where, most == kAny
                                            ? Message("field.no_whole_number", {{"least", least}})
                                            : Message("field.not_in_range", {{"least", least}, {"most", most}})};
                into = static_cast<int>(v);
              },
          .schema = schema,
          .type = "number"};
}

Codec<std::size_t> count() {
  return {.write = [](const std::size_t& v) { return Json(v); },
          .read =
              [](const Json& j, const std::string& where, std::size_t& into) {
                const double v = numberFrom(j, where);
                if (!(v >= 0)) throw BadField{where, "field.no_count"};
                into = static_cast<std::size_t>(v);
              },
          .schema = {{"type", "integer"}, {"minimum", 0}},
          .type = "number"};
}

Codec<bool> truth() {
  return {.write = [](const bool& v) { return Json(v); },
          .read =
              [](const Json& j, const std::string& where, bool& into) {
                if (!j.is_boolean()) throw BadField{where, "field.no_truth"};
                into = j.get<bool>();
              },
          .schema = {{"type", "boolean"}},
          .type = "boolean",
          .help = {"field.form_truth", "field.write_truth"}};
}

Codec<std::string> text(const TextRule& rule) {
  Json schema{{"type", "string"}};
  if (!rule.may_be_empty) schema["minLength"] = 1;
  if (!rule.pattern.empty()) schema["pattern"] = rule.pattern;
  return {.write = [](const std::string& v) { return Json(v); },
          .read =
              [](const Json& j, const std::string& where, std::string& into) {
                if (!j.is_string()) throw BadField{where, "field.no_text"};
                into = j.get<std::string>();
              },
          .schema = schema,
          .type = "string",
          .help = {"field.form_text", "field.write_text"}};
}

Codec<std::string> word() { return text({.may_be_empty = false}); }
Codec<std::vector<std::string>> words() { return list(word()); }

Codec<std::string> textOf(std::size_t least, std::size_t most) {
  Codec<std::string> out = text();
  const std::vector<Argument> range{{"least", least}, {"most", most}};
  out.read = [=, read = std::move(out.read)](const Json& j, const std::string& where, std::string& into) {
    read(j, where, into);
    const std::size_t length = characterCount(into);
    if (length < least || length > most) throw BadField{where, {"field.length", {{"length", length}}}};
    if (least > 0 && into.find_first_not_of(" \t\r\n") == std::string::npos) throw BadField{where, "field.blank"};
  };
  out.schema["minLength"] = least;
  out.schema["maxLength"] = most;
  out.help = {{"field.form_text_of", range}, {"field.write_text_of", range}};
  return out;
}

Codec<std::string> id() {
  constexpr std::size_t kLongest = 64;
  Codec<std::string> out = such(textOf(1, kLongest), "field.no_id", [](const std::string& s) {
    return std::all_of(s.begin(), s.end(), [](char c) {
      return (c >= '0' && c <= '9') || (c >= 'A' && c <= 'Z') || (c >= 'a' && c <= 'z') || c == '.' || c == '-' ||
             c == '_';
    });
  });
  out.schema["pattern"] = "^[A-Za-z0-9._-]+$";
  out.help = {"field.form_id", {"field.write_id", {{"most", kLongest}}}};
  return out;
}

Codec<std::string> date() {
  Codec<std::string> out = text();
  out.read = [](const Json& j, const std::string& where, std::string& into) {
    if (!j.is_string() || !dayFromIso(j.get_ref<const std::string&>())) throw BadField{where, "field.no_date"};
    into = j.get<std::string>();
  };
  out.schema["format"] = "date";
  out.help = {"field.form_date", "field.write_date"};
  return out;
}

Codec<Json> json(const std::string& type, const Json& schema) {
  return {.write = [](const Json& v) { return v; },
          .read = [](const Json& j, const std::string&, Json& into) { into = j; },
          .schema = schema,
          .type = type};
}

Codec<std::string> oneOf(const std::vector<std::string>& words, const Message& what) {
  std::vector<std::pair<std::string, std::string>> pairs;
  for (const std::string& w : words) pairs.emplace_back(w, w);
  Codec<std::string> out = choice(std::move(pairs), what);
  out.write = [](const std::string& v) { return Json(v); };
  return out;
}

std::string literalType(const Json& value) {
  return value.is_string() ? fmt::format("'{}'", value.get<std::string>()) : value.dump();
}

std::string itemName(const std::string& where, const Json& item, std::size_t place) {
  if (item.is_object())
    for (const char* key : {"id", "key", "ray"})
      if (const auto it = item.find(key); it != item.end()) {
        if (it->is_string()) return where + "/" + it->get<std::string>();
        if (it->is_number_integer()) return fmt::format("{}/{}", where, it->get<int>());
      }
  return fmt::format("{}/{}", where, place);
}

namespace detail {

Json schemaOf(const std::vector<Shape>& fields, const Json& more) {
  Json j{
      {"type", "object"}, {"additionalProperties", false}, {"required", Json::array()}, {"properties", Json::object()}};
  for (const Shape& f : fields) {
    if (f.presence != Presence::kSometimes) j["required"].push_back(f.key);
    j["properties"][f.key] = f.schema;
  }
  j.update(more);
  return j;
}

std::string typescriptOf(const std::vector<Shape>& fields) {
  std::string out = "{\n";
  for (const Shape& f : fields) {
    std::string inner;
    for (const char c : f.type) {  // nested objects are indented by two
      inner += c;
      if (c == '\n') inner += "  ";
    }
    if (const auto about = f.schema.find("description"); about != f.schema.end())
      out += fmt::format("  /** {} */\n", about->get<std::string>());
    out += fmt::format("  {}{}: {};\n", f.key, f.presence == Presence::kSometimes ? "?" : "", inner);
  }
  return out + "}";
}

}  // namespace detail

Json schemaFile(const std::string& title, const std::string& description, const Json& root,
                const Definitions& definitions) {
  Json j{{"$schema", "https://json-schema.org/draft/2020-12/schema"}, {"title", title}, {"description", description}};
  j.update(root);
  j["$defs"] = Json::object();
  for (const Definition& d : definitions) j["$defs"][d.name] = d.schema;
  return j;
}

std::string typescriptFile(const std::string& heading, const Definitions& definitions) {
  std::string out = "// " + heading + "\n";
  for (const Definition& d : definitions)
    out += d.is_interface ? fmt::format("\nexport interface {} {}\n", d.name, d.typescript)
                          : fmt::format("\nexport type {} = {};\n", d.name, d.typescript);
  return out;
}

}  // namespace rayset::codec
