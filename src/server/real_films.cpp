#include "server/real_films.h"

#include <fmt/format.h>

#include <algorithm>

#include "base/dates.h"
#include "geometry/side.h"
#include "report/words.h"
#include "server/files.h"
#include "workspace/previews.h"

namespace rayset::server {
namespace fs = std::filesystem;

namespace {

constexpr std::size_t kMostFilms = 500;

/// ".png", ".jpg", or "" for what is neither, by the first bytes.
std::string pictureEnding(const fs::path& file) {
  const std::string head = bytesOf(file, 8);
  if (head == "\x89PNG\r\n\x1A\n") return ".png";
  if (head.rfind("\xFF\xD8\xFF", 0) == 0) return ".jpg";
  return {};
}

/// What speaks against this film as one of this foot.
std::vector<std::string> misgivings(const FilmInfo& info, const Json& images, const std::string& side) {
  std::vector<std::string> out;
  const std::string patient = images.is_object() ? images.value("patient_id", std::string()) : std::string();
  if (!patient.empty() && !info.patient_id.empty() && info.patient_id != patient)
    out.push_back(fmt::format("This film belongs to another patient: {}, the CT is of {}.", info.patient_id, patient));
  if (info.quality_control)
    out.emplace_back("Its header says that this is no picture of a person: a simulated film, or a test of quality.");
  const std::string on = info.side ? sideWord(*info.side) : std::string();
  if (!on.empty() && !side.empty() && on != side)
    out.push_back(fmt::format("This film shows the {} foot; the {} foot is planned.", on, side));
  return out;
}

}  // namespace

RealFilm filmFacts(const FilmInfo& info, const std::vector<std::string>& cautions) {
  RealFilm out;
  if (info.view) out.view = std::string(wordOf(*info.view));
  out.date = isoDate(info.study_date);
  if (info.side) out.side = sideWord(*info.side);
  out.cautions = cautions;
  return out;
}

std::string givenName(const std::string& name) {
  const std::size_t end = name.find('_');
  const bool numbered =
      end == 5 && std::all_of(name.begin(), name.begin() + 5, [](char c) { return c >= '0' && c <= '9'; });
  return numbered ? name.substr(end + 1) : name;
}

Result<Json> takeFilms(const fs::path& laid_out, const fs::path& folder, const Json& images, const std::string& side,
                       const Progress& progress) {
  std::vector<fs::path> files;
  for (const auto& entry : fs::recursive_directory_iterator(laid_out))
    if (entry.is_regular_file()) files.push_back(entry.path());
  std::sort(files.begin(), files.end());
  const int last = highestNumber(folder);
  if (files.empty() || files.size() + static_cast<std::size_t>(last) > kMostFilms)
    return fail(Fault::kRequest, files.empty() ? "there are no films among these files" : "these are too many films",
                "films", fmt::format("Give films of this foot, at most {} in all.", kMostFilms));
  Json out = Json::array();
  for (std::size_t n = 0; n < files.size(); ++n) {
    if (progress.cancelled()) return cancelledError();
    const std::string given = givenName(files[n].filename().string());
    std::string ending = pictureEnding(files[n]);
    RealFilm film;
    if (ending.empty()) {
      auto scan = readFilm(files[n]);
      if (!scan) {
        Error error = scan.error();
        error.where = given;
        error.remedy += " PNG and JPEG pictures of films can be shown too.";
        return tl::unexpected(error);
      }
      ending = ".dcm";
      for (std::string& text : misgivings(scan->info, images, side)) scan->cautions.push_back(std::move(text));
      film = filmFacts(scan->info, scan->cautions);
    } else {
      film.cautions = {"A picture, not DICOM: nothing in it tells whose foot it is, or its size."};
    }
    const std::string name = fmt::format("{:04}{}", last + static_cast<int>(n) + 1, ending);
    if (const std::error_code problem = linkOrCopy(files[n], folder / name); problem)
      return fail(Fault::kInternal, "the film cannot be put in place: " + problem.message(), given,
                  "Check free space and permissions.");
    film.id = "films/" + name;
    film.name = given;
    out.push_back(realFilmCodec().write(film));
  }
  return out;
}

Result<FilmPicture> filmPicture(const fs::path& file) {
  if (const std::string ending = pictureEnding(file); !ending.empty())
    return FilmPicture{typeOf("x" + ending), bytesOf(file)};
  const auto scan = readFilm(file);
  if (!scan) return tl::unexpected(scan.error());
  const auto png = filmPng(*scan, kFilmSide);
  if (!png) return tl::unexpected(png.error());
  return FilmPicture{"image/png", {png->begin(), png->end()}};
}

}  // namespace rayset::server
