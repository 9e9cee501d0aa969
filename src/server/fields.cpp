#include "server/fields.h"

#include <fmt/format.h>

#include <cmath>
#include <cstdlib>

namespace rayset::server {
namespace {
constexpr int kDeepest = 32;  // brackets in JSON: input must not exhaust the stack when it is written out
}

tl::expected<Json, Reply> bodyOf(const Request& request) {
  if (request.body.empty()) return Json::object();
  bool deep = false;
  const auto shallow = [&deep](int depth, Json::parse_event_t, Json&) {
    deep = deep || depth > kDeepest;
    return !deep;
  };
  Json j = Json::parse(request.body, shallow, false);
  if (deep || !j.is_object())
    return tl::unexpected(badRequest("server.body_request_no_json_object", "body", Message("server.load_page_anew")));
  return j;
}

std::string textOf(const Json& j, const char* key) {
  const auto it = j.find(key);
  return it != j.end() && it->is_string() ? it->get<std::string>() : std::string();
}

std::string Fields::text(const std::string& key, const std::string& otherwise) const {
  const auto it = query_.find(key);
  return it == query_.end() ? otherwise : it->second;
}

double Fields::number(const std::string& key, double otherwise) {
  const auto it = query_.find(key);
  if (it == query_.end()) return otherwise;
  char* end = nullptr;
  const double value = std::strtod(it->second.c_str(), &end);
  if (it->second.empty() || end != it->second.c_str() + it->second.size() || !std::isfinite(value) ||
      std::abs(value) > 1e6) {
    wrong(key, "server.a_number");
    return otherwise;
  }
  return value;
}

int Fields::whole(const std::string& key, int otherwise) {
  const double value = number(key, otherwise);
  if (value != std::floor(value)) wrong(key, Message("server.whole_number"));
  return static_cast<int>(value);
}

Ray Fields::ray(const std::string& key, Ray otherwise) {
  const auto given = Ray::from(whole(key, otherwise.number()));
  if (!given) wrong(key, Message("server.number_ray_1"));
  return given.value_or(otherwise);
}

void Fields::wrong(const std::string& key, const Message& wanted) {
  if (!problem) problem = badRequest(Message("server.must", {{"key", key}, {"wanted", wanted}}), key);
}

}  // namespace rayset::server
