// The implants and instruments a construct may use: data/implants.json.
#pragma once

#include <filesystem>
#include <string>
#include <vector>

#include "base/result.h"

namespace rayset {

struct ImplantType {
  std::string id;         ///< "cortex-3.5", "wire-1.6-threaded"
  std::string kind;       ///< screw | wire | plate
  std::string name;       ///< generic name in the trade's words
  double diameter_mm = 0, core_mm = 0, drill_mm = 0, tap_mm = 0, pitch_mm = 0;
  double head_diameter_mm = 0, head_height_mm = 0;
  std::vector<double> lengths_mm;   ///< ascending
  std::string source, certainty;
};

struct Catalogue {
  std::vector<ImplantType> types;
  [[nodiscard]] const ImplantType* find(const std::string& id) const;
};

[[nodiscard]] Result<Catalogue> readCatalogue(const std::filesystem::path& file);
/// data/implants.json of this build.
[[nodiscard]] std::filesystem::path defaultCatalogueFile();

}  // namespace rayset
