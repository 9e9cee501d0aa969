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
    std::string key = limit.key;
    if (!limits.limits_.emplace(std::move(key), std::move(limit)).second)
      return fail(Fault::kRequest, "the key is there twice", where, "Keep one of the entries");
  }
  return limits;
}

const Result<Limits>& Limits::shipped() {
  static const Result<Limits> limits = read(std::filesystem::path(RAYSET_DATA_DIR) / "limits.json");
  return limits;
}

const Limit* Limits::find(std::string_view key) const {
  const auto it = limits_.find(key);
  return it == limits_.end() ? nullptr : &it->second;
}

}  // namespace rayset
