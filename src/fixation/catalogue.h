// The implants and instruments a construct may use: data/implants.json.
#pragma once

#include <filesystem>
#include <string>
#include <vector>

#include "base/result.h"
#include "fixation/device_kind.h"

namespace rayset {

struct ImplantType {
  std::string id;  ///< "cortex-3.5", "wire-1.6-threaded"
  DeviceKind kind = DeviceKind::kScrew;
  std::string name;  ///< generic trade name
  /// Outer diameter of the screw's thread, or of the wire; core, drill, tap and pitch are 0 for wires.
  double diameter_mm = 0, core_mm = 0, drill_mm = 0, tap_mm = 0, pitch_mm = 0;
  double head_diameter_mm = 0, head_height_mm = 0;  ///< 0 for wires
  /// Ascending. Screws: overall, from the top of the head to the tip. Wires: as sold; the protruding part is cut.
  std::vector<double> lengths_mm;
  std::string source, certainty;

  /// The longest length sold that does not exceed `depth_mm`; 0 if none is short enough.
  [[nodiscard]] double longestWithin(double depth_mm) const;
};

struct InstrumentType {
  std::string id, name;
  std::vector<std::string> for_implants;  ///< ids of the implants it is used with
  std::string source, certainty;
};

struct Catalogue {
  std::vector<ImplantType> types;
  std::vector<InstrumentType> instruments;
  [[nodiscard]] const ImplantType* find(const std::string& id) const;
};

/// Reads and checks a catalogue. Fails (kRequest) with the file and the key, e.g. "implants.json,
/// implants[0].lengths_mm", when the file cannot be read, is not JSON, a key is missing or of the wrong type, an id
/// occurs twice, or sizes contradict each other (core not below drill and drill not below diameter, lengths not
/// ascending).
[[nodiscard]] Result<Catalogue> readCatalogue(const std::filesystem::path& file);

}  // namespace rayset
