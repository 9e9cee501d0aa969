// Readable output of film reading: film_report.pdf and a picture of each film with its measures drawn in place.
#pragma once

#include <filesystem>

#include "base/result.h"
#include "films/film_reading.h"
#include "language/words.h"
#include "report/report.h"

namespace rayset {

/// Writes into an existing folder:
///   film_report.pdf          A4: finding, table of measures with limits, each film with its measures, sources
///   pictures/film_1.png ...  each film whole, and film_1_right.png ... the joints of each foot on it
/// film.json is written by the caller. Fault::kInternal names the file that could not be written.
[[nodiscard]] Status writeFilmReport(const Words& words, const FilmReading& reading,
                                     const std::filesystem::path& folder, const ReportSettings& settings = {});

/// The film alone with a frame of pixel coordinates (columns above, rows at the left), for placing landmarks.
[[nodiscard]] Status writeFilmPicture(const Words& words, const std::filesystem::path& file, const FilmScan& scan);

}  // namespace rayset
