#include <fmt/format.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <fstream>

#include "base/units.h"
#include "server/fields.h"
#include "server/files.h"
#include "server/handlers.h"
#include "server/real_films.h"
#include "server/replies.h"

namespace rayset::server {
namespace fs = std::filesystem;
namespace {

const Surface* surfaceOf(const Case& c, const std::string& id) {
  if (const auto bone = boneFromId(id)) {
    const auto it = c.bones.find(*bone);
    if (it != c.bones.end()) return &it->second.surface;
  }
  const auto fragment = c.fragments.find(id);
  return fragment == c.fragments.end() ? nullptr : &fragment->second.bone.surface;
}

Reply meshOf(Station& station, const std::string& id, const std::string& body) {
  const auto look = station.cases->view(id, OpenCases::Needs::kCase);
  if (!look) return errorReply(look.error());
  const Surface* surface = surfaceOf(*look->edited, body);
  if (surface == nullptr) return notFound(body);
  // Bones as scanned change only with the plan; older plans' meshes are removed when the first of a new one is made.
  const fs::path view = station.library->folder(id) / "view";
  const fs::path folder = view / fmt::format("mesh-{}", look->plan), file = folder / (body + ".bin");
  Reply reply = bytesReply("application/octet-stream", {});
  std::error_code problem;
  if (fs::exists(file, problem)) {
    reply.file = file;
    return reply;
  }
  if (!fs::exists(folder, problem))
    for (auto it = fs::directory_iterator(view, problem); !problem && it != fs::directory_iterator();
         it.increment(problem))
      if (it->path() != folder && it->path().filename().string().rfind("mesh-", 0) == 0)
        fs::remove_all(it->path(), problem);
  fs::create_directories(folder, problem);
  reply.body = meshBytes(lightMesh(*surface));
  const fs::path fresh = folder / fmt::format(".{}-{}", body, ++station.fresh);
  std::ofstream(fresh, std::ios::binary) << reply.body;
  if (fs::file_size(fresh, problem) == reply.body.size()) fs::rename(fresh, file, problem);
  return reply;
}

}  // namespace

void warm(Station& station, const std::string& id) {
  std::vector<std::string> bodies;
  if (const auto look = station.cases->view(id, OpenCases::Needs::kCase)) {
    for (const auto& [bone, found] : look->edited->bones) bodies.emplace_back(boneId(bone));
    for (const auto& [fragment, found] : look->edited->fragments) bodies.push_back(fragment);
  }
  tbb::parallel_for(std::size_t{0}, bodies.size(), [&](std::size_t n) { (void)meshOf(station, id, bodies[n]); });
  if (!bodies.empty()) (void)station.cases->view(id, OpenCases::Needs::kSlicer);
}

Reply mesh(Station& station, Request& request) { return meshOf(station, request.case_id, request.segments[4]); }

Reply slice(Station& station, Request& request) {
  Fields f(request.query);
  SliceRequest q;
  q.kind = f.word<SliceKind>(
      "kind", {{"along", SliceKind::kAlong}, {"across", SliceKind::kAcross}, {"drill", SliceKind::kDrill}},
      SliceKind::kAlong);
  q.ray = f.ray("ray", q.ray);
  q.device = f.text("device");
  q.state = f.word<FootState>("state", {{"injured", FootState::kInjured}, {"reduced", FootState::kReduced}},
                              FootState::kReduced);
  q.offset_mm = f.number("offset", 0);
  q.turn_rad = toRadians(f.number("turn", 0));
  q.width = f.whole("width", q.width);
  q.height = f.whole("height", q.height);
  q.mm_per_pixel = f.number("mm", q.mm_per_pixel);
  q.thickness_mm = f.number("thickness", 0);
  if (f.problem) return *f.problem;
  const auto look = station.cases->view(request.case_id, OpenCases::Needs::kSlicer);
  if (!look) return errorReply(look.error());
  const auto made = look->slicer->slice(*look->edited, q);
  return made ? sliceReply(*made) : errorReply(made.error());
}

Reply film(Station& station, Request& request) {
  Fields f(request.query);
  FilmRequest q;
  using Show = FilmRequest::Show;
  q.orbital_deg = f.number("orbital", q.orbital_deg);
  q.tilt_deg = f.number("tilt", q.tilt_deg);
  q.view = f.text("view");
  q.show = f.word<Show>("show", {{"injured", Show::kInjured}, {"reduced", Show::kReduced}, {"metal", Show::kMetal}},
                        Show::kMetal);
  q.pixels = f.whole("pixels", q.pixels);
  if (f.problem) return *f.problem;
  const auto look = station.cases->view(request.case_id, OpenCases::Needs::kStudio);
  if (!look) return errorReply(look.error());
  const auto made = look->studio->film(*look->edited, q);
  return made ? bytesReply("image/png", {made->begin(), made->end()}) : errorReply(made.error());
}

Reply realFilm(Station& station, Request& request) {
  const auto facts = station.cases->facts(request.case_id);
  if (!facts) return errorReply(facts.error());
  const std::vector<std::string> path(request.segments.begin() + 4, request.segments.end());
  const auto among = [wanted = fmt::format("{}", fmt::join(path, "/"))](const Json& films) {
    return films.is_array() &&
           std::any_of(films.begin(), films.end(), [&](const Json& f) { return textOf(f, "id") == wanted; });
  };
  const bool known = among(facts->films) || std::any_of(facts->checks.begin(), facts->checks.end(), [&](const auto& c) {
                       return c.payload.contains("check") && among(c.payload["check"].value("films", Json()));
                     });
  const fs::path file = known ? fileBelow(station.library->folder(request.case_id), path) : fs::path();
  if (file.empty()) return notFound(path.back());
  const auto picture = filmPicture(file);
  return picture ? bytesReply(picture->type, picture->bytes) : errorReply(picture.error());
}

Reply thumbnail(Station& station, Request& request) {
  const auto facts = station.cases->facts(request.case_id);
  if (!facts) return errorReply(facts.error());
  const fs::path folder = station.library->folder(request.case_id);
  fs::path picture;
  if (facts->plan) picture = fileBelow(folder / "plan", {"pictures", "injured_dorsal.png"});
  if (picture.empty() && facts->images) picture = fileBelow(folder / "view", {"preview.png"});
  return picture.empty() ? notFound("thumbnail") : fileReply(picture, request);
}

}  // namespace rayset::server
