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
std::vector<Message> misgivings(const FilmInfo& info, const Json& images, const std::string& side) {
  std::vector<Message> out;
  const std::string patient = images.is_object() ? images.value("patient_id", std::string()) : std::string();
  if (!patient.empty() && !info.patient_id.empty() && info.patient_id != patient)
    out.push_back(
        Message("server.film_belongs_another_patient_ct", {{"patient_id", info.patient_id}, {"patient", patient}}));
  if (info.quality_control) out.emplace_back(Message("server.header_says_no_picture_person_simulated"));
  const std::string on = info.side ? sideWord(*info.side) : std::string();
  if (!on.empty() && !side.empty() && on != side)
    out.push_back(Message("server.film_shows_foot_foot_planned", {{"on", on}, {"side", side}}));
  return out;
}

}  // namespace

RealFilm filmFacts(const FilmInfo& info, const std::vector<Message>& cautions) {
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
    return fail(Fault::kRequest,
                files.empty() ? Message("server.no_films_among_these_files") : Message("server.these_too_many_films"),
                "films", Message("server.give_films_foot_most_all", {{"most_films", kMostFilms}}));
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
        error.remedy = then(error.remedy, "server.png_jpeg_pictures_films_can_shown");
        return tl::unexpected(error);
      }
      ending = ".dcm";
      for (Message& text : misgivings(scan->info, images, side)) scan->cautions.push_back(std::move(text));
      film = filmFacts(scan->info, scan->cautions);
    } else {
      film.cautions = {Message("server.picture_not_dicom_nothing_tells_whose")};
    }
    const std::string name = fmt::format("{:04}{}", last + static_cast<int>(n) + 1, ending);
    if (const std::error_code problem = linkOrCopy(files[n], folder / name); problem)
      return fail(Fault::kInternal, Message("server.film_cannot_put_place", {{"message", problem.message()}}), given,
                  Message("server.check_free_space_permissions"));
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
