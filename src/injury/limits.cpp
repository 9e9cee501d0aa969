#include "injury/limits.h"

#include <fmt/format.h>

#include <array>
#include <cmath>
#include <fstream>
#include <nlohmann/json.hpp>
#include <optional>

namespace rayset {
namespace {

using nlohmann::json;

std::optional<Comparison> comparisonFrom(const std::string& word) {
  if (word == "above") return Comparison::kAbove;
  if (word == "below") return Comparison::kBelow;
  if (word == "difference_above") return Comparison::kDifferenceAbove;
  if (word == "absolute_above") return Comparison::kAbsoluteAbove;
  return std::nullopt;
}

Result<std::string> text(const json& entry, const char* name, const std::string& where) {
  const auto it = entry.find(name);
  if (it == entry.end() || !it->is_string() || it->get_ref<const std::string&>().empty())
    return fail(Fault::kRequest, Message("injury.entry_has_no_text", {{"name", name}}), where,
                Message("injury.give_restore_limits_file_came_program"));
  return it->get<std::string>();
}

Status readNormals(const json& list, const std::string& file, std::map<std::string, NormalValue, std::less<>>& out) {
  if (!list.is_array())
    return fail(Fault::kRequest, "injury.normals_no_list", file, Message("injury.restore_limits_file"));
  std::size_t number = 0;
  for (const json& entry : list) {
    std::string where = fmt::format("{}, normals[{}]", file, number++);
    if (!entry.is_object())
      return fail(Fault::kRequest, "injury.entry_not_object", where, Message("injury.correct_remove"));
    NormalValue normal;
    for (const auto& [name, target] : {std::pair{"key", &normal.key},
                                       {"unit", &normal.unit},
                                       {"source", &normal.source},
                                       {"certainty", &normal.certainty},
                                       {"applies_to", &normal.applies_to}}) {
      auto value = text(entry, name, where);
      if (!value) return tl::unexpected<Error>(value.error());
      *target = std::move(*value);
      if (std::string_view(name) == "key") where += " (" + normal.key + ")";
    }
    const auto number_of = [&](const char* name) -> std::optional<double> {
      const auto it = entry.find(name);
      return it != entry.end() && it->is_number() ? std::optional(it->get<double>()) : std::nullopt;
    };
    const auto mean = number_of("mean"), feet = number_of("feet");
    if (!mean || !feet || !(*feet > 0))
      return fail(Fault::kRequest, "injury.entry_has_no_numbers_mean_feet", where, Message("injury.give_both"));
    normal.mean = *mean;
    normal.feet = static_cast<int>(*feet);
    normal.sd = number_of("sd");
    normal.ci_low = number_of("ci_low");
    normal.ci_high = number_of("ci_high");
    if (!normal.sd && !(normal.ci_low && normal.ci_high))
      return fail(Fault::kRequest, "injury.entry_tells_no_spread", where, Message("injury.give_sd_ci_low_ci_high"));
    std::string key = normal.key;
    if (!out.emplace(std::move(key), std::move(normal)).second)
      return fail(Fault::kRequest, "injury.key_twice", where, Message("injury.keep_one_entries"));
  }
  return {};
}

}  // namespace

Result<Limits> Limits::read(const std::filesystem::path& file) {
  std::ifstream in(file);
  if (!in)
    return fail(Fault::kRequest, "injury.limits_file_cannot_read", file.string(),
                Message("injury.restore_limits_file_came_program"));
  const json document = json::parse(in, nullptr, false);
  if (document.is_discarded())
    return fail(Fault::kRequest, "injury.limits_file_not_valid_json", file.string(),
                Message("injury.check_json_checker"));
  if (!document.is_object() || !document.contains("limits") || !document["limits"].is_array())
    return fail(Fault::kRequest, "injury.limits_file_has_no_list_limits", file.string(),
                Message("injury.restore_limits_file_came_program"));
  Limits limits;
  limits.file_ = file;
  std::size_t number = 0;
  for (const auto& entry : document["limits"]) {
    ++number;
    std::string where = file.string() + ", entry " + std::to_string(number);
    if (!entry.is_object())
      return fail(Fault::kRequest, "injury.entry_not_object", where, Message("injury.correct_remove"));
    Limit limit;
    std::string comparison;
    for (const auto& [name, target] : {std::pair{"key", &limit.key},
                                       {"unit", &limit.unit},
                                       {"comparison", &comparison},
                                       {"source", &limit.source},
                                       {"certainty", &limit.certainty},
                                       {"applies_to", &limit.applies_to}}) {
      auto value = text(entry, name, where);
      if (!value) return tl::unexpected<Error>(value.error());
      *target = std::move(*value);
      if (std::string_view(name) == "key") where += " (" + limit.key + ")";
    }
    const auto value = entry.find("value");
    if (value == entry.end() || !value->is_number() || !std::isfinite(value->get<double>()))
      return fail(Fault::kRequest, "injury.entry_has_no_number_value", where, Message("injury.give_unit_entry"));
    limit.value = value->get<double>();
    const auto how = comparisonFrom(comparison);
    if (!how)
      return fail(Fault::kRequest, Message("injury.no_comparison", {{"comparison", comparison}}), where,
                  Message("injury.use_above_below_difference_above_absolute"));
    limit.comparison = *how;
    if (entry.contains("contradicted_by")) {
      auto value_key = text(entry, "contradicted_by", where);
      if (!value_key) return tl::unexpected<Error>(value_key.error());
      limit.contradicted_by = std::move(*value_key);
    }
    std::string key = limit.key;
    if (!limits.limits_.emplace(std::move(key), std::move(limit)).second)
      return fail(Fault::kRequest, "injury.key_twice", where, Message("injury.keep_one_entries"));
  }
  if (document.contains("normals"))
    if (const auto read = readNormals(document["normals"], file.string(), limits.normals_); !read)
      return tl::unexpected<Error>(read.error());
  for (const auto& [key, limit] : limits.limits_)
    if (!limit.contradicted_by.empty() && limits.normal(limit.contradicted_by) == nullptr)
      return fail(Fault::kRequest, Message("injury.no_normal_value_file", {{"contradicted_by", limit.contradicted_by}}),
                  file.string() + ", " + key, Message("injury.add_normals_take_contradicted_out"));
  return limits;
}

const NormalValue* Limits::normal(std::string_view key) const {
  const auto it = normals_.find(key);
  return it == normals_.end() ? nullptr : &it->second;
}

const Limit* Limits::find(std::string_view key) const {
  const auto it = limits_.find(key);
  return it == limits_.end() ? nullptr : &it->second;
}

Result<double> Limits::value(std::string_view key) const {
  if (const Limit* limit = find(key)) return limit->value;
  return fail(Fault::kRequest, Message("injury.limits_file_has_no_entry", {{"key", key}}), file_.string(),
              Message("injury.restore_limits_file_came_program"));
}

}  // namespace rayset
