// The patient's films in a case: radiographs as DICOM, or pictures of them (PNG, JPEG), taken before the operation and
// kept as given. Other stages measure and check films; here they are recognised, listed and shown.
#pragma once

#include <filesystem>
#include <string>
#include <vector>

#include "base/message.h"
#include "base/progress.h"
#include "base/result.h"
#include "dicom/film_reader.h"
#include "server/case_codec.h"

namespace rayset::server {

/// Moves the files below `laid_out` into `folder`, numbered ("0007.dcm") after those already there, and returns for
/// each: {"id": "films/0007.dcm", "name", "view", "date", "side", "cautions"} (view: "dorsoplantar", "oblique",
/// "lateral" or null). `images`: facts of the case's CT or null; signs of another patient or the other side are
/// cautions. kImages naming the file that is neither a film nor a picture.
[[nodiscard]] Result<Json> takeFilms(const std::filesystem::path& laid_out, const std::filesystem::path& folder,
                                     const Json& images, const std::string& side, const Progress& progress);

/// View, date, side and cautions of it.
[[nodiscard]] RealFilm filmFacts(const FilmInfo& info, const std::vector<Message>& cautions);

/// Its original name: the page sends "foot.dcm" as "00003_foot.dcm".
[[nodiscard]] std::string givenName(const std::string& name);

/// The film as its maker meant it to look, as PNG with square pixels, at most kFilmSide per side; pHYs gives their size
/// if the header does. A picture stays as it is (its own bytes and type).
inline constexpr int kFilmSide = 2048;
struct FilmPicture {
  std::string type, bytes;
};
[[nodiscard]] Result<FilmPicture> filmPicture(const std::filesystem::path& file);

}  // namespace rayset::server
