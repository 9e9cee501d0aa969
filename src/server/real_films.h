// Films of the patient that stand in a case: radiographs as DICOM, or pictures of them (PNG, JPEG), taken before the
// operation and kept as given. What is measured and checked from films is done by their own stages; here they are
// recognised, listed and shown.
#pragma once

#include <filesystem>
#include <string>
#include <vector>

#include "base/progress.h"
#include "base/result.h"
#include "dicom/film_reader.h"
#include "server/case_codec.h"

namespace rayset::server {

/// Puts what lies below `laid_out` into `folder` under numbers ("0007.dcm"), behind what is there, and tells of each:
/// {"id": "films/0007.dcm", "name", "view", "date", "side", "cautions"} (view: "dorsoplantar", "oblique", "lateral" or
/// null). `images`: facts of the case's CT or null; what speaks of another patient or the other side is a caution.
/// kImages naming the file that is no film and no picture.
[[nodiscard]] Result<Json> takeFilms(const std::filesystem::path& laid_out, const std::filesystem::path& folder,
                                     const Json& images, const std::string& side, const Progress& progress);

/// View, date, side and cautions of it.
[[nodiscard]] RealFilm filmFacts(const FilmInfo& info, const std::vector<std::string>& cautions);

/// As the page was given it: "00003_foot.dcm", as it sends files, was "foot.dcm".
[[nodiscard]] std::string givenName(const std::string& name);

/// The film as its maker meant it to look, as PNG of square pixels, at most kFilmSide of them a side; pHYs tells their
/// size where the header tells it. A picture stays as it is (its own bytes and type).
inline constexpr int kFilmSide = 2048;
struct FilmPicture {
  std::string type, bytes;
};
[[nodiscard]] Result<FilmPicture> filmPicture(const std::filesystem::path& file);

}  // namespace rayset::server
