// The contents of a request: the JSON of its body, the fields of its query.
#pragma once

#include <initializer_list>
#include <map>
#include <optional>
#include <string>
#include <utility>

#include "anatomy/ray.h"
#include "server/http.h"
#include "server/replies.h"

namespace rayset::server {

/// The body as an object; an empty body gives an empty object.
[[nodiscard]] tl::expected<Json, Reply> bodyOf(const Request& request);
/// "" if it is not text.
[[nodiscard]] std::string textOf(const Json& j, const char* key);

/// Reads the fields of a request; remembers the first invalid one.
class Fields {
 public:
  explicit Fields(const std::map<std::string, std::string>& query) : query_(query) {}
  [[nodiscard]] std::string text(const std::string& key, const std::string& otherwise = {}) const;
  double number(const std::string& key, double otherwise);
  int whole(const std::string& key, int otherwise);
  Ray ray(const std::string& key, Ray otherwise);
  template <class T>
  T word(const std::string& key, std::initializer_list<std::pair<const char*, T>> known, T otherwise) {
    const auto it = query_.find(key);
    if (it == query_.end()) return otherwise;
    std::string words;
    for (const auto& [name, value] : known) {
      if (it->second == name) return value;
      words += (words.empty() ? "" : ", ") + std::string(name);
    }
    wrong(key, {"server.one_of", {{"words", words}}});
    return otherwise;
  }
  std::optional<Reply> problem;

 private:
  void wrong(const std::string& key, const Message& wanted);
  const std::map<std::string, std::string>& query_;
};

}  // namespace rayset::server
