#include "injury/limits.h"

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
    return fail(Fault::kRequest, std::string("the entry has no text for '") + name + "'", where,
                "Give it, or restore the limits file that came with the program");
  return it->get<std::string>();
}

Status readNormals(const json& list, const std::string& file, std::map<std::string, NormalValue, std::less<>>& out) {
  if (!list.is_array()) return fail(Fault::kRequest, "'normals' is no list", file, "Restore the limits file");
  std::size_t number = 0;
  for (const json& entry : list) {
    std::string where = file + ", normal value " + std::to_string(++number);
    if (!entry.is_object()) return fail(Fault::kRequest, "the entry is not an object", where, "Correct or remove it");
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
      return fail(Fault::kRequest, "the entry has no numbers for 'mean' and 'feet'", where, "Give both");
    normal.mean = *mean;
    normal.feet = static_cast<int>(*feet);
    normal.sd = number_of("sd");
    normal.ci_low = number_of("ci_low");
    normal.ci_high = number_of("ci_high");
    if (!normal.sd && !(normal.ci_low && normal.ci_high))
      return fail(Fault::kRequest, "the entry tells no spread", where, "Give 'sd', or 'ci_low' and 'ci_high'");
    std::string key = normal.key;
    if (!out.emplace(std::move(key), std::move(normal)).second)
      return fail(Fault::kRequest, "the key is there twice", where, "Keep one of the entries");
  }
  return {};
}

}  // namespace

Result<Limits> Limits::read(const std::filesystem::path& file) {
  std::ifstream in(file);
  if (!in)
    return fail(Fault::kRequest, "the limits file cannot be read", file.string(),
                "Restore the limits file that came with the program");
  const json document = json::parse(in, nullptr, false);
  if (document.is_discarded())
    return fail(Fault::kRequest, "the limits file is not valid JSON", file.string(), "Check it with a JSON checker");
  if (!document.is_object() || !document.contains("limits") || !document["limits"].is_array())
    return fail(Fault::kRequest, "the limits file has no list 'limits'", file.string(),
                "Restore the limits file that came with the program");
  Limits limits;
  limits.file_ = file;
  std::size_t number = 0;
  for (const auto& entry : document["limits"]) {
    ++number;
    std::string where = file.string() + ", entry " + std::to_string(number);
    if (!entry.is_object()) return fail(Fault::kRequest, "the entry is not an object", where, "Correct or remove it");
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
      return fail(Fault::kRequest, "the entry has no number for 'value'", where, "Give it in the unit of the entry");
    limit.value = value->get<double>();
    const auto how = comparisonFrom(comparison);
    if (!how)
      return fail(Fault::kRequest, "'" + comparison + "' is no comparison", where,
                  "Use above, below, difference_above or absolute_above");
    limit.comparison = *how;
    if (entry.contains("contradicted_by")) {
      auto value_key = text(entry, "contradicted_by", where);
      if (!value_key) return tl::unexpected<Error>(value_key.error());
      limit.contradicted_by = std::move(*value_key);
    }
    std::string key = limit.key;
    if (!limits.limits_.emplace(std::move(key), std::move(limit)).second)
      return fail(Fault::kRequest, "the key is there twice", where, "Keep one of the entries");
  }
  if (document.contains("normals"))
    if (const auto read = readNormals(document["normals"], file.string(), limits.normals_); !read)
      return tl::unexpected<Error>(read.error());
  for (const auto& [key, limit] : limits.limits_)
    if (!limit.contradicted_by.empty() && limits.normal(limit.contradicted_by) == nullptr)
      return fail(Fault::kRequest, "'" + limit.contradicted_by + "' is no normal value of this file",
                  file.string() + ", " + key, "Add it to 'normals', or take 'contradicted_by' out");
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
  return fail(Fault::kRequest, "the limits file has no entry '" + std::string(key) + "'", file_.string(),
              "Restore the limits file that came with the program");
}

}  // namespace rayset
