#include "fixation/catalogue.h"

#include <fmt/format.h>

#include <algorithm>
#include <fstream>
#include <nlohmann/json.hpp>
#include <set>

namespace rayset {
namespace {

using Json = nlohmann::json;

/// Thrown inside this file only; readCatalogue turns it into an Error that names the file.
struct Bad {
  Message what;
  std::string key;
};

const Json& member(const Json& object, const std::string& path, const char* key) {
  if (!object.is_object()) throw Bad{Message("fixation.object_expected_here"), path};
  const auto it = object.find(key);
  if (it == object.end()) throw Bad{Message("fixation.key_missing", {{"key", key}}), path};
  return *it;
}

std::string text(const Json& object, const std::string& path, const char* key) {
  const Json& value = member(object, path, key);
  if (!value.is_string() || value.get<std::string>().empty())
    throw Bad{Message("fixation.text_not_empty_expected"), path + "." + key};
  return value.get<std::string>();
}

double millimetres(const Json& object, const std::string& path, const char* key) {
  const Json& value = member(object, path, key);
  if (!value.is_number() || value.get<double>() <= 0 || value.get<double>() > 500)
    throw Bad{Message("fixation.size_millimetres_above_0_up_500"), path + "." + key};
  return value.get<double>();
}

const Json& list(const Json& object, const std::string& path, const char* key) {
  const Json& value = member(object, path, key);
  if (!value.is_array() || value.empty()) throw Bad{Message("fixation.list_not_empty_expected"), path + "." + key};
  return value;
}

DeviceKind kind(const Json& object, const std::string& path) {
  const std::string word = text(object, path, "kind");
  std::vector<std::string> known;
  for (const DeviceKind k : kDeviceKinds) {
    if (traits(k).word == word) return k;
    known.emplace_back(traits(k).word);
  }
  throw Bad{Message("fixation.not_kind_implant", {{"word", word}, {"known", any(known)}}), path + ".kind"};
}

ImplantType implant(const Json& object, const std::string& path) {
  ImplantType type;
  type.id = text(object, path, "id");
  type.name = text(object, path, "name");
  type.source = text(object, path, "source");
  type.certainty = text(object, path, "certainty");
  type.kind = kind(object, path);
  type.diameter_mm = millimetres(object, path, "diameter_mm");
  if (traits(type.kind).threaded) {
    type.core_mm = millimetres(object, path, "core_mm");
    type.drill_mm = millimetres(object, path, "drill_mm");
    type.tap_mm = millimetres(object, path, "tap_mm");
    type.pitch_mm = millimetres(object, path, "pitch_mm");
    type.head_diameter_mm = millimetres(object, path, "head_diameter_mm");
    type.head_height_mm = millimetres(object, path, "head_height_mm");
    if (type.drill_mm < type.core_mm || type.drill_mm >= type.diameter_mm)
      throw Bad{Message("fixation.drill_must_least_core_less_thread"), path + ".drill_mm"};
    if (type.tap_mm > type.diameter_mm || type.tap_mm < type.drill_mm)
      throw Bad{Message("fixation.tap_must_lie_between_drill_thread"), path + ".tap_mm"};
    if (type.head_diameter_mm <= type.diameter_mm)
      throw Bad{Message("fixation.head_must_wider_thread"), path + ".head_diameter_mm"};
  }
  const Json& lengths = list(object, path, "lengths_mm");
  for (const Json& value : lengths) {
    const std::string here = path + ".lengths_mm";
    if (!value.is_number() || value.get<double>() <= 0 || value.get<double>() > 500)
      throw Bad{Message("fixation.lengths_millimetres_above_0_up_500"), here};
    if (!type.lengths_mm.empty() && value.get<double>() <= type.lengths_mm.back())
      throw Bad{Message("fixation.lengths_must_ascend"), here};
    type.lengths_mm.push_back(value.get<double>());
  }
  return type;
}

}  // namespace

double ImplantType::longestWithin(double depth_mm) const {
  double best = 0;
  for (const double length : lengths_mm)
    if (length <= depth_mm + 1e-9) best = length;
  return best;
}

const ImplantType* Catalogue::find(const std::string& id) const {
  const auto it = std::find_if(types.begin(), types.end(), [&](const ImplantType& t) { return t.id == id; });
  return it == types.end() ? nullptr : &*it;
}

Result<Catalogue> readCatalogue(const std::filesystem::path& file) {
  const Message remedy("fixation.correct_catalogue_use_one_comes_program");
  std::ifstream stream(file);
  if (!stream) return fail(Fault::kRequest, "fixation.implant_catalogue_cannot_read", file.string(), remedy);
  Json root;
  try {
    root = Json::parse(stream);
  } catch (const Json::parse_error& error) {
    return fail(Fault::kRequest, Message("fixation.implant_catalogue_not_json_byte", {{"byte", error.byte}}),
                file.string(), remedy);
  }
  try {
    if (text(root, "top level", "schema") != "rayset.implants/1")
      throw Bad{Message("fixation.schema_must_rayset_implants_1"), "schema"};
    Catalogue catalogue;
    std::set<std::string> ids;
    const Json& implants = list(root, "top level", "implants");
    for (std::size_t i = 0; i < implants.size(); ++i) {
      const std::string path = fmt::format("implants[{}]", i);
      catalogue.types.push_back(implant(implants[i], path));
      if (!ids.insert(catalogue.types.back().id).second)
        throw Bad{Message("fixation.id_occurs_twice", {{"id", catalogue.types.back().id}}), path + ".id"};
    }
    const Json& instruments = list(root, "top level", "instruments");
    for (std::size_t i = 0; i < instruments.size(); ++i) {
      const std::string path = fmt::format("instruments[{}]", i);
      const Json& object = instruments[i];
      InstrumentType type;
      type.id = text(object, path, "id");
      type.name = text(object, path, "name");
      type.source = text(object, path, "source");
      type.certainty = text(object, path, "certainty");
      if (!ids.insert(type.id).second) throw Bad{Message("fixation.id_occurs_twice", {{"id", type.id}}), path + ".id"};
      for (const Json& id : list(object, path, "for")) {
        if (!id.is_string() || catalogue.find(id.get<std::string>()) == nullptr)
          throw Bad{Message("fixation.ids_implants_catalogue_expected"), path + ".for"};
        type.for_implants.push_back(id.get<std::string>());
      }
      catalogue.instruments.push_back(std::move(type));
    }
    return catalogue;
  } catch (const Bad& bad) {
    return fail(Fault::kRequest, Message("fixation.implant_catalogue_wrong", {{"what", bad.what}}),
                file.string() + ", " + bad.key, remedy);
  }
}

}  // namespace rayset
