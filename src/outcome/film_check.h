// The postoperative check from films: each metatarsal and device as registration finds it
// (xray/film_registration.h).
#pragma once

#include <string>
#include <vector>

#include "base/message.h"
#include "dicom/film_reader.h"
#include "outcome/verification.h"
#include "xray/film_registration.h"

namespace rayset {

/// One film with what the command line says about it.
struct CheckedFilm {
  FilmScan scan;
  TubePose tube;        ///< where it was taken from, as far as known
  Message view;         ///< in words
  double pixel_mm = 0;  ///< at the detector
};

/// Where a film was taken from: `word` is a named view ("dorsoplantar-15", "oblique-30", "lateral"), tube angles
/// ("orbital=30,tilt=10", degrees), or empty (from the header). Fault::kRequest for any other word; kImages if
/// nothing gives the view or the pixel size.
[[nodiscard]] Result<CheckedFilm> checkedFilm(FilmScan scan, const std::string& word);

/// Why the films may have been taken from elsewhere than found, as a clause naming the file; empty: no reason to think
/// so. Fault::kImages if one contradicts the others. `files`: names of the films, in their order.
[[nodiscard]] Result<Message> doubtOfFilms(const std::vector<FoundFilm>& films, const std::vector<std::string>& files);

struct FilmCheckInput {
  const PlanRecord* plan = nullptr;
  const FootBodies* bodies = nullptr;
  const Catalogue* catalogue = nullptr;
  const Limits* limits = nullptr;
  std::vector<CheckedFilm> films;
  bool temporary = false;  ///< wires of the temporary stage are still in
};

/// Fault::kRequest for films of another patient or of the other side, or two or more taken from nearly the same side;
/// kImages as registerFilms().
[[nodiscard]] Result<Verification> checkFilms(const FilmCheckInput& input, const Progress& progress = {});

}  // namespace rayset
