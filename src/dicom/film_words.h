// Reads view and weight-bearing from the free text of a film's header.
#pragma once

#include <optional>
#include <string>

#include "dicom/film_reader.h"

namespace rayset::dicom {

/// The one view a text names ("Fuss seitlich", "FOOT OBL LT", View Position "LLO"); nullopt if it names none or
/// several. English, German, French, Spanish and Italian words as scanners write them, from memory.
[[nodiscard]] std::optional<FilmView> viewIn(const std::string& text);
/// Whether a text that names the lateral view says that the beam ran from lateral to medial ("lateromedial", "LM").
[[nodiscard]] bool lateromedialIn(const std::string& text);
/// true "weight bearing, standing", false "non weight bearing"; nullopt if the text does not say.
[[nodiscard]] std::optional<bool> weightBearingIn(const std::string& text);

}  // namespace rayset::dicom
