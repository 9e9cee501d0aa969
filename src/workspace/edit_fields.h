// The fields of an edit's payload as a table: one line each for reading with its check, writing and documentation. `P`
// is the struct they fill.
#pragma once

#include <functional>
#include <initializer_list>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "workspace/edit_state.h"

namespace rayset {

template <class P>
struct EditField {
  std::string key{};
  std::string form{};      ///< for the docs: "1 to 200 characters"
  bool required = true;    ///< false: may be left out
  bool completed = false;  ///< added by complete(); rejected from outside
  std::string also_as{};   ///< a second name it may come under; empty: none
  /// `value`: null if the field is missing. kRequest naming the edit's `kind` and the field.
  std::function<Status(const EditJson* value, const std::string& kind, P& into)> read{};
  std::function<EditJson(const P&)> write{};  ///< discarded: left out
};

/// Written for a field that is to be left out.
[[nodiscard]] inline EditJson leftOut() { return EditJson(EditJson::value_t::discarded); }

namespace fields {

// Values with their checks. `value`: null if the field is missing; errors name `kind` and `key`.
[[nodiscard]] Result<std::string> text(const EditJson* value, const std::string& kind, const std::string& key,
                                       std::size_t least, std::size_t most);
[[nodiscard]] Result<std::string> id(const EditJson* value, const std::string& kind, const std::string& key);
[[nodiscard]] Result<bool> truth(const EditJson* value, const std::string& kind, const std::string& key);
[[nodiscard]] Result<double> number(const EditJson* value, const std::string& kind, const std::string& key, double low,
                                    double high, const char* unit);
[[nodiscard]] Result<Ray> ray(const EditJson* value, const std::string& kind);
[[nodiscard]] Result<Vec3> point(const EditJson* value, const std::string& kind, const std::string& key);
[[nodiscard]] Result<std::string> date(const EditJson* value, const std::string& kind, const std::string& key);
[[nodiscard]] Result<std::vector<std::string>> texts(const EditJson* value, const std::string& kind,
                                                     const std::string& key);

template <class T, class M>
[[nodiscard]] Status into(const Result<T>& read, M& member) {
  if (!read) return tl::unexpected(read.error());
  member = *read;
  return {};
}

/// A value that JSON has a kind of its own for; `read` is one of those above with its bounds.
template <class P, class M, class Read>
[[nodiscard]] EditField<P> valueField(std::string key, std::string form, M P::*member, Read read) {
  return {.key = key,
          .form = std::move(form),
          .read = [=](const EditJson* v, const std::string& kind, P& p) { return into(read(v, kind, key), p.*member); },
          .write = [=](const P& p) { return EditJson(p.*member); }};
}

/// Characters, not bytes, are counted.
template <class P>
[[nodiscard]] EditField<P> textField(std::string key, std::string P::*member, std::size_t least, std::size_t most) {
  const auto read = [=](const EditJson* v, const std::string& kind, const std::string& name) {
    return text(v, kind, name, least, most);
  };
  return valueField(std::move(key), "text of " + std::to_string(least) + " to " + std::to_string(most) + " characters",
                    member, read);
}

/// A name made by a program: letters, digits, dot, dash and underscore.
template <class P>
[[nodiscard]] EditField<P> idField(std::string key, std::string P::*member) {
  return valueField(std::move(key), "id", member, &id);
}

template <class P>
[[nodiscard]] EditField<P> optionalIdField(std::string key, std::optional<std::string> P::*member) {
  return {.key = key,
          .form = "id",
          .required = false,
          .read = [=](const EditJson* v, const std::string& kind, P& p) { return into(id(v, kind, key), p.*member); },
          .write = [=](const P& p) { return p.*member ? EditJson(*(p.*member)) : leftOut(); }};
}

template <class P>
[[nodiscard]] EditField<P> truthField(std::string key, bool P::*member) {
  return valueField(std::move(key), "true or false", member, &truth);
}

template <class P>
[[nodiscard]] EditField<P> rayField(Ray P::*member) {
  return valueField("ray", "1 to 5", member,
                    [](const EditJson* v, const std::string& kind, const std::string&) { return ray(v, kind); });
}

/// Patient frame (LPS), mm.
template <class P>
[[nodiscard]] EditField<P> pointField(std::string key, Vec3 P::*member) {
  return {
      .key = key,
      .form = "[x, y, z]",
      .read = [=](const EditJson* v, const std::string& kind, P& p) { return into(point(v, kind, key), p.*member); },
      .write =
          [=](const P& p) {
            return EditJson{(p.*member).x(), (p.*member).y(), (p.*member).z()};
          }};
}

/// Of what the field may hold instead of a value: null takes it away.
template <class P, class T, class Read>
[[nodiscard]] EditField<P> orNull(std::string key, std::string form, std::optional<T> P::*member, Read read) {
  return {.key = key,
          .form = std::move(form) + ", or null",
          .read = [=](const EditJson* v, const std::string& kind, P& p) -> Status {
            (p.*member).reset();
            if (v != nullptr && v->is_null()) return {};
            return into(read(v, kind, key), p.*member);
          },
          .write = [=](const P& p) { return p.*member ? EditJson(*(p.*member)) : EditJson(nullptr); }};
}

template <class P>
[[nodiscard]] EditField<P> dateOrNull(std::string key, std::optional<std::string> P::*member) {
  return orNull(std::move(key), "date as 2026-01-31", member, &date);
}

/// Sentences that complete() adds.
template <class P>
[[nodiscard]] EditField<P> cautionsField(std::vector<std::string> P::*member) {
  return {.key = "cautions",
          .form = "sentences",
          .required = false,
          .completed = true,
          .read = [=](const EditJson* v, const std::string& kind,
                      P& p) { return into(texts(v, kind, "cautions"), p.*member); },
          .write = [=](const P& p) { return (p.*member).empty() ? leftOut() : EditJson(p.*member); }};
}

}  // namespace fields

// ---------------------------------------------------------------------------------------------- a whole payload

/// Rejects fields that are not in `known`. kRequest.
[[nodiscard]] Status onlyKnownFields(const EditJson& payload, const std::string& kind,
                                     const std::vector<std::string>& known,
                                     const std::vector<std::string>& alternatives);

/// From outside (`stored` false: fields added by complete() are rejected, as are unknown ones), or as stored.
template <class P>
[[nodiscard]] Result<P> payloadFrom(const EditJson& payload, const std::string& kind,
                                    const std::vector<EditField<P>>& table, bool stored) {
  if (!stored) {
    std::vector<std::string> known, also;
    for (const EditField<P>& f : table) {
      if (f.completed) continue;
      known.push_back(f.key);
      if (!f.also_as.empty()) also.push_back(f.also_as);
    }
    if (const Status s = onlyKnownFields(payload, kind, known, also); !s) return tl::unexpected(s.error());
  }
  P out{};
  for (const EditField<P>& f : table) {
    const EditJson* value = nullptr;
    for (const std::string& key : {f.key, f.also_as})
      if (value == nullptr && !key.empty() && payload.is_object())
        if (const auto it = payload.find(key); it != payload.end()) value = &*it;
    if (value == nullptr && !f.required) continue;
    if (const Status s = f.read(value, kind, out); !s) return tl::unexpected(s.error());
  }
  return out;
}

template <class P>
[[nodiscard]] EditJson payloadJson(const P& payload, const std::vector<EditField<P>>& table) {
  EditJson out = EditJson::object();
  for (const EditField<P>& f : table)
    if (EditJson value = f.write(payload); !value.is_discarded()) out[f.key] = std::move(value);
  return out;
}

}  // namespace rayset
