// Files of ours, and payloads of edits, as tables: one line a field says its name, where it stands in the struct, how
// it is rounded and what it may hold. From the table come writer, reader, JSON Schema (2020-12) and the page's
// TypeScript types, so that they cannot differ.
//
// A Codec<T> is a value of one kind; object() makes one from fields. What a codec is made of it shares: a copy is cheap
// however deep it is. Reading throws BadField inside; decode() turns it
// into an Error.
#pragma once

#include <algorithm>
#include <functional>
#include <limits>
#include <memory>
#include <nlohmann/json.hpp>
#include <optional>
#include <stdexcept>
#include <string>
#include <string_view>
#include <type_traits>
#include <utility>
#include <vector>

#include "base/message.h"
#include "base/result.h"

namespace rayset::codec {

using Json = nlohmann::ordered_json;

/// A field that is missing or not of its kind: where it is in the file, what is wrong, and what to write instead.
struct BadField {
  std::string where;
  Message what;
  Message remedy{};  ///< where it is empty, the innermost field's that has one is filled in
};

/// For people who write a value by hand.
struct Help {
  Message form{};    ///< "1 to 5", for the table of a docs page
  Message remedy{};  ///< "Write 1 to 5."
};

/// A named kind, for "$defs" of the schema and for TypeScript.
struct Definition {
  std::string name;
  Json schema;
  std::string typescript;  ///< what follows "export interface NAME " or "export type NAME = "
  bool is_interface = false;
};
using Definitions = std::vector<Definition>;
/// What is there already is not added again. std::logic_error if a name has two meanings.
void addTo(Definitions& into, const Definitions& more);

template <class T>
struct Codec {
  std::function<Json(const T&)> write;
  std::function<void(const Json&, const std::string& where, T&)> read;
  Json schema = Json::object();
  std::string type = "unknown";  ///< TypeScript
  Definitions definitions{};
  Help help{};

  [[nodiscard]] T from(const Json& j, const std::string& where) const {
    T out{};
    read(j, where, out);
    return out;
  }
};

enum class Presence {
  kRequired,
  kNow,        ///< always written; files of earlier versions lack it, and the struct's default holds
  kSometimes,  ///< written where there is something to write
};

template <class T>
struct Field {
  std::string key;
  std::function<Json(const T&)> write;                            ///< discarded: left out
  std::function<void(const Json&, const std::string&, T&)> read;  ///< of a value that is there
  Json schema;
  std::string type;
  Presence presence = Presence::kRequired;
  Definitions definitions{};
  std::function<bool(const T&)> needed{};  ///< of kSometimes: whether what was read before asks for it
  Help help{};

  [[nodiscard]] Field when(Presence p) && {
    presence = p;
    return std::move(*this);
  }
  /// Written only where `holds`.
  [[nodiscard]] Field onlyWhere(std::function<bool(const T&)> holds) && {
    write = [holds = std::move(holds), write = std::move(write)](const T& t) {
      return holds(t) ? write(t) : Json(Json::value_t::discarded);
    };
    presence = Presence::kSometimes;
    return std::move(*this);
  }
  /// The same, and read it must be there. `holds` looks at fields that stand before this one.
  [[nodiscard]] Field where(std::function<bool(const T&)> holds) && {
    needed = holds;
    return std::move(*this).onlyWhere(std::move(holds));
  }
  [[nodiscard]] Field about(const std::string& text) && {
    schema["description"] = text;
    return std::move(*this);
  }
  [[nodiscard]] Field told(Help h) && {
    help = std::move(h);
    return std::move(*this);
  }
};

[[nodiscard]] inline Json leftOut() { return Json(Json::value_t::discarded); }

// ---------------------------------------------------------------------------------------------- plain values

/// The least a number may be, and the most.
struct Range {
  std::optional<double> least{}, most{};
  bool above = false;  ///< `least` itself is not allowed
};
inline constexpr Range kNotNegative{.least = 0.0}, kPositive{.least = 0.0, .above = true},
    kShare{.least = 0.0, .most = 1.0};
/// Rounded to `digits` decimals when written; negative: as it is.
[[nodiscard]] Codec<double> number(int digits = -1, const Range& range = {});
/// As it is, of `unit`; refused when read if it is not from `least` to `most`.
[[nodiscard]] Codec<double> numberWithin(double least, double most, Unit unit);
/// Radians in memory, degrees in the file.
[[nodiscard]] Codec<double> degrees(int digits, const Range& range = {});
[[nodiscard]] Codec<int> integer(int least, int most = std::numeric_limits<int>::max());
[[nodiscard]] Codec<std::size_t> count();
[[nodiscard]] Codec<bool> truth();
struct TextRule {
  bool may_be_empty = true;
  std::string pattern{};  ///< regular expression of the schema; checked by validators, not when reading
};
[[nodiscard]] Codec<std::string> text(const TextRule& rule = {});
/// A text that is not empty, and a list of such.
[[nodiscard]] Codec<std::string> word();
[[nodiscard]] Codec<std::vector<std::string>> words();
/// Refused when read unless it has `least` to `most` characters (not bytes), and not only blanks if it must have any.
[[nodiscard]] Codec<std::string> textOf(std::size_t least, std::size_t most);
/// A name that a program made: 1 to 64 letters, digits, dots, dashes and underscores. Checked when read.
[[nodiscard]] Codec<std::string> id();
/// A day that exists, "2026-01-31". Checked when read.
[[nodiscard]] Codec<std::string> date();
/// Any JSON.
[[nodiscard]] Codec<Json> json(const std::string& type = "unknown", const Json& schema = Json::object());

/// Refused as `what` when read unless it `holds`.
template <class T, class Holds>
[[nodiscard]] Codec<T> such(Codec<T> of, const Message& what, Holds holds) {
  of.read = [read = std::move(of.read), what, holds](const Json& j, const std::string& where, T& into) {
    read(j, where, into);
    if (!holds(into)) throw BadField{where, what};
  };
  return of;
}

/// One of these words. Others are refused as `what`; empty: "is none of" them.
template <class T>
[[nodiscard]] Codec<T> choice(std::vector<std::pair<T, std::string>> words, const Message& what = {}) {
  Codec<T> out;
  out.schema["enum"] = Json::array();
  out.type.clear();
  std::string plain;
  std::vector<std::string> in_quotes;
  for (const auto& [value, word] : words) {
    out.schema["enum"].push_back(word);
    out.type += out.type.empty() ? "'" : " | '";
    out.type += word;
    out.type += '\'';
    plain.append(plain.empty() ? "" : ", ").append(word);
    in_quotes.push_back("\"" + word + "\"");
  }
  out.help = {{"field.form_choice", {{"words", any(in_quotes)}}}, {"field.write_choice", {{"words", any(in_quotes)}}}};
  out.write = [words](const T& value) -> Json {
    for (const auto& [known, word] : words)
      if (known == value) return word;
    return nullptr;
  };
  const Message wrong = what.empty() ? Message("field.no_choice", {{"words", plain}}) : what;
  out.read = [words, wrong](const Json& j, const std::string& where, T& into) {
    for (const auto& [known, word] : words) {
      if (j == word) {
        into = known;
        return;
      }
    }
    throw BadField{where, wrong};
  };
  return out;
}
/// One of these values, each by its word.
template <class Values, class Word>
[[nodiscard]] auto choiceOf(const Values& values, const Word& word) {
  std::vector<std::pair<typename Values::value_type, std::string>> words;
  words.reserve(values.size());
  for (const auto& value : values) words.emplace_back(value, word(value));
  return choice(std::move(words));
}
/// The same for texts kept as texts.
[[nodiscard]] Codec<std::string> oneOf(const std::vector<std::string>& words, const Message& what = {});

// ---------------------------------------------------------------------------------------------- of other kinds

template <class T>
[[nodiscard]] Codec<std::optional<T>> nullable(const Codec<T>& of) {
  Codec<std::optional<T>> out;
  const auto kept = std::make_shared<const Codec<T>>(of);
  out.write = [kept](const std::optional<T>& v) { return v ? kept->write(*v) : Json(nullptr); };
  out.read = [kept](const Json& j, const std::string& where, std::optional<T>& into) {
    into.reset();
    if (!j.is_null()) into = kept->from(j, where);
  };
  if (of.schema.contains("type") && of.schema.size() == 1 && of.schema["type"].is_string())
    out.schema = {{"type", {of.schema["type"], "null"}}};
  else
    out.schema = {{"anyOf", {of.schema, {{"type", "null"}}}}};
  out.type = of.type + " | null";
  out.definitions = of.definitions;
  out.help = of.help;
  if (!out.help.form.empty()) out.help.form = {"field.form_or_null", {{"form", out.help.form}}};
  return out;
}

/// How an item of a list is named in messages: by its id, ray or key where it has one, else by its place.
[[nodiscard]] std::string itemName(const std::string& where, const Json& item, std::size_t place);

template <class T>
[[nodiscard]] Codec<std::vector<T>> list(const Codec<T>& of, const Json& more = Json::object()) {
  Codec<std::vector<T>> out;
  const auto kept = std::make_shared<const Codec<T>>(of);
  out.write = [kept](const std::vector<T>& v) {
    Json j = Json::array();
    for (const auto& item : v) j.push_back(kept->write(item));
    return j;
  };
  out.read = [kept](const Json& j, const std::string& where, std::vector<T>& into) {
    if (!j.is_array()) throw BadField{where, "field.no_list"};
    into.clear();
    for (const Json& item : j) into.push_back(kept->from(item, itemName(where, item, into.size())));
  };
  out.schema = {{"type", "array"}, {"items", of.schema}};
  out.schema.update(more);
  out.type = (of.type.find_first_of(" |") == std::string::npos ? of.type : "(" + of.type + ")") + "[]";
  out.definitions = of.definitions;
  return out;
}

// ---------------------------------------------------------------------------------------------- fields of a struct

/// Any field: `get` and `set` carry the value between the struct and the codec.
template <class T, class U, class Get, class Set>
[[nodiscard]] Field<T> field(const std::string& key, const Codec<U>& of, Get get, Set set) {
  Field<T> out;
  out.key = key;
  const auto kept = std::make_shared<const Codec<U>>(of);
  out.write = [kept, get](const T& t) { return kept->write(get(t)); };
  out.read = [kept, set](const Json& j, const std::string& where, T& t) { set(t, kept->from(j, where)); };
  out.schema = of.schema;
  out.type = of.type;
  out.definitions = of.definitions;
  out.help = of.help;
  return out;
}

template <class T, class U>
[[nodiscard]] Field<T> field(const std::string& key, const Codec<U>& of, U T::*member) {
  return field<T>(
      key, of, [member](const T& t) -> const U& { return t.*member; },
      [member](T& t, U value) { t.*member = std::move(value); });
}

/// Left out where it holds nothing.
template <class T, class U>
[[nodiscard]] Field<T> optionalField(const std::string& key, const Codec<U>& of, std::optional<U> T::*member) {
  Field<T> out;
  out.key = key;
  const auto kept = std::make_shared<const Codec<U>>(of);
  out.write = [kept, member](const T& t) { return t.*member ? kept->write(*(t.*member)) : leftOut(); };
  out.read = [kept, member](const Json& j, const std::string& where, T& t) { t.*member = kept->from(j, where); };
  out.schema = of.schema;
  out.type = of.type;
  out.definitions = of.definitions;
  out.presence = Presence::kSometimes;
  out.help = of.help;
  return out;
}

/// The TypeScript type of one value.
[[nodiscard]] std::string literalType(const Json& value);
/// Always the same.
template <class T>
[[nodiscard]] Field<T> constant(const std::string& key, const Json& value) {
  Field<T> out;
  out.key = key;
  out.write = [value](const T&) { return value; };
  out.read = [value](const Json& j, const std::string& where, T&) {
    if (j != value) throw BadField{where, {"field.not_the_value", {{"value", value.dump()}}}};
  };
  out.schema = {{"const", value}};
  out.type = literalType(value);
  return out;
}

/// Written for others; not read back (it follows from the rest).
template <class T, class U, class Get>
[[nodiscard]] Field<T> derived(const std::string& key, const Codec<U>& of, Get get) {
  Field<T> out = field<T>(key, of, get, [](T&, U) {});
  out.read = [](const Json&, const std::string&, T&) {};
  return out;
}

// ---------------------------------------------------------------------------------------------- objects

namespace detail {
struct Shape {
  std::string key, type;
  Json schema;
  Presence presence;
};
[[nodiscard]] Json schemaOf(const std::vector<Shape>& fields, const Json& more);
[[nodiscard]] std::string typescriptOf(const std::vector<Shape>& fields);
}  // namespace detail

/// `more`: what the schema says beyond the fields (conditions between them).
template <class T>
[[nodiscard]] Codec<T> object(const std::vector<Field<T>>& fields, const Json& more = Json::object()) {
  Codec<T> out;
  std::vector<detail::Shape> shapes;
  for (const Field<T>& f : fields) {
    shapes.push_back({f.key, f.type, f.schema, f.presence});
    addTo(out.definitions, f.definitions);
  }
  out.schema = detail::schemaOf(shapes, more);
  out.type = detail::typescriptOf(shapes);
  const auto kept = std::make_shared<const std::vector<Field<T>>>(fields);
  out.write = [kept](const T& t) {
    Json j = Json::object();
    for (const Field<T>& f : *kept)
      if (Json value = f.write(t); !value.is_discarded()) j[f.key] = std::move(value);
    return j;
  };
  out.read = [kept](const Json& j, const std::string& where, T& into) {
    if (!j.is_object()) throw BadField{where, "field.no_object"};
    for (const Field<T>& f : *kept) {
      const std::string here = where + "/" + f.key;
      try {
        if (const auto it = j.find(f.key); it != j.end())
          f.read(*it, here, into);
        else if (f.presence == Presence::kRequired || (f.needed && f.needed(into)))
          throw BadField{here, "field.missing"};
      } catch (BadField& bad) {
        if (bad.remedy.empty()) bad.remedy = f.help.remedy;
        throw;
      }
    }
  };
  return out;
}

/// Under a name of its own in schema and TypeScript.
template <class T>
[[nodiscard]] Codec<T> named(const std::string& name, Codec<T> of) {
  addTo(of.definitions, {{name, of.schema, of.type, of.schema.value("type", "") == "object"}});
  of.schema = {{"$ref", "#/$defs/" + name}};
  of.type = name;
  return of;
}

/// Some fields of the struct under a key of their own in the file.
template <class T>
[[nodiscard]] Field<T> group(const std::string& key, const std::vector<Field<T>>& fields,
                             const Json& more = Json::object()) {
  const Codec<T> inner = object(fields, more);
  Field<T> out;
  out.key = key;
  out.write = inner.write;
  out.read = inner.read;  // into the struct as it is: other fields stay
  out.schema = inner.schema;
  out.type = inner.type;
  out.definitions = inner.definitions;
  return out;
}

/// The fields of a member among those of the struct.
template <class T, class U>
[[nodiscard]] std::vector<Field<T>> fieldsOf(U T::*member, const std::vector<Field<U>>& fields) {
  std::vector<Field<T>> out;
  for (const Field<U>& f : fields)
    out.push_back(
        {f.key, [write = f.write, member](const T& t) { return write(t.*member); },
         [read = f.read, member](const Json& j, const std::string& where, T& t) { read(j, where, t.*member); },
         f.schema, f.type, f.presence, f.definitions,
         f.needed ? [needed = f.needed, member](const T& t) { return needed(t.*member); }
                  : std::function<bool(const T&)>(),
         f.help});
  return out;
}

/// The same of a member that need not be there: the first field says whether it is, and without it the others count for
/// nothing.
template <class T, class U>
[[nodiscard]] std::vector<Field<T>> fieldsOf(std::optional<U> T::*member, const std::vector<Field<U>>& fields) {
  std::vector<Field<T>> out;
  for (const Field<U>& f : fields)
    out.push_back({f.key,
                   [write = f.write, member](const T& t) { return t.*member ? write(*(t.*member)) : leftOut(); },
                   [read = f.read, member, first = out.empty()](const Json& j, const std::string& where, T& t) {
                     if (first) (t.*member).emplace();
                     if (t.*member) read(j, where, *(t.*member));
                   },
                   f.schema,
                   f.type,
                   Presence::kSometimes,
                   f.definitions,
                   {},
                   f.help});
  return out;
}

/// Fields of a struct that an entry of a list points to while it is written (`from`), so that nothing large is copied,
/// and holds once it is read (`read`).
template <class Entry, class T>
[[nodiscard]] std::vector<Field<Entry>> fieldsBehind(const T* Entry::*from, T Entry::*read,
                                                     const std::vector<Field<T>>& fields) {
  std::vector<Field<Entry>> out;
  for (const Field<T>& f : fields)
    out.push_back(
        {f.key, [write = f.write, from](const Entry& e) { return write(*(e.*from)); },
         [take = f.read, read](const Json& j, const std::string& where, Entry& e) { take(j, where, e.*read); },
         f.schema, f.type, f.presence, f.definitions,
         f.needed ? [needed = f.needed, read](const Entry& e) { return needed(e.*read); }
                  : std::function<bool(const Entry&)>(),
         f.help});
  return out;
}

/// Fields of another struct, which `get` finds; not read back.
template <class T, class U, class Get>
[[nodiscard]] std::vector<Field<T>> derivedFrom(Get get, const std::vector<Field<U>>& fields) {
  std::vector<Field<T>> out;
  for (const Field<U>& f : fields)
    out.push_back({f.key, [write = f.write, get](const T& t) { return write(get(t)); },
                   [](const Json&, const std::string&, T&) {}, f.schema, f.type, f.presence, f.definitions});
  return out;
}

/// Those with these keys, in the table's order. std::logic_error if one is not there.
template <class T>
[[nodiscard]] std::vector<Field<T>> pick(const std::vector<Field<T>>& fields, const std::vector<std::string>& keys) {
  std::vector<Field<T>> out;
  for (const Field<T>& f : fields)
    if (std::find(keys.begin(), keys.end(), f.key) != keys.end()) out.push_back(f);
  if (out.size() != keys.size()) throw std::logic_error("a table lacks a field that is picked");
  return out;
}

template <class T>
[[nodiscard]] std::vector<Field<T>> operator+(std::vector<Field<T>> a, const std::vector<Field<T>>& b) {
  a.insert(a.end(), b.begin(), b.end());
  return a;
}

// ---------------------------------------------------------------------------------------------- whole files

/// kRequest: "WHAT cannot be used: FIELD is missing". A file that a program wrote is not mended by hand: `remedy` is
/// what to do about the whole, not the field's.
template <class T>
[[nodiscard]] Result<T> decode(const Codec<T>& codec, const Json& j, const Message& what, const std::string& file,
                               const Message& remedy) {
  try {
    return codec.from(j, "");
  } catch (const BadField& bad) {
    return fail(Fault::kRequest, {"field.file_unusable", {{"file", what}, {"field", bad.where}, {"problem", bad.what}}},
                file, remedy);
  } catch (const Json::exception& e) {
    return fail(Fault::kRequest, {"field.file_unreadable", {{"file", what}, {"why", e.what()}}}, file, remedy);
  }
}

/// The JSON Schema of a file.
[[nodiscard]] Json schemaFile(const std::string& title, const std::string& description, const Json& root,
                              const Definitions& definitions);
/// The same of a codec, named or not, as the text of the file.
template <class T>
[[nodiscard]] std::string schemaText(const std::string& title, const std::string& description, const Codec<T>& of) {
  Definitions definitions = of.definitions;
  Json root = of.schema;
  if (!definitions.empty() && of.type == definitions.back().name) {
    root = definitions.back().schema;
    definitions.pop_back();
  }
  return schemaFile(title, description, root, definitions).dump(1) + "\n";
}
/// TypeScript declarations of the named kinds.
[[nodiscard]] std::string typescriptFile(const std::string& heading, const Definitions& definitions);

}  // namespace rayset::codec
