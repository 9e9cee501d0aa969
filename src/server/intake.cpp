#include <fmt/format.h>

#include <algorithm>

#include "server/fields.h"
#include "server/handlers.h"
#include "server/replies.h"

namespace rayset::server {
namespace fs = std::filesystem;
namespace {

constexpr std::uint64_t kUploadLimit = std::uint64_t{4} << 30U;  // one file
constexpr std::size_t kMostUploads = 50'000;                     // files of one part

bool acceptableName(const std::string& name) {
  return !name.empty() && name.size() <= 200 && name.front() != '.' && name.find_first_of("/\\:") == std::string::npos;
}

bool isPart(const std::string& part) { return std::find(kParts.begin(), kParts.end(), part) != kParts.end(); }

Reply started(Station& station, const std::string& id, const std::string& kind, Jobs::Work work) {
  const auto job =
      station.jobs->add(id, kind, [&station, id, kind, work = std::move(work)](const Progress& progress) -> Status {
        const Status done = work(progress);
        if (!done) return done;
        // So that the list and other pages know at once.
        if (const auto state = station.cases->state(id); !state) return tl::unexpected(state.error());
        if (kind == "plan") warm(station, id);
        station.announce(id);
        return done;
      });
  if (!job) return busy();
  return jsonReply({{"job", *job}}, 202);
}

}  // namespace

tl::expected<Intake, Reply> uploadIntake(Station& station, const Request& request) {
  const std::string &id = request.case_id, &part = request.segments[4], &name = request.segments[5];
  if (!isPart(part)) return tl::unexpected(notFound(part));
  if (!acceptableName(name))
    return tl::unexpected(
        badRequest("server.no_name_file", name.substr(0, 200), Message("server.use_plain_name_most_200_bytes")));
  if (!station.jobs->of(id).is_null()) return tl::unexpected(busy());
  const fs::path folder = uploadFolder(station.library->folder(id), part);
  std::error_code problem;
  fs::create_directories(folder, problem);
  std::size_t count = 0;
  for (auto it = fs::directory_iterator(folder, problem); !problem && it != fs::directory_iterator();
       it.increment(problem))
    ++count;
  if (count >= kMostUploads)
    return tl::unexpected(
        badRequest(Message("server.files_already", {{"count", count}}), part, Message("server.pack_them_zip")));
  return Intake{kUploadLimit, folder / fmt::format(".incoming-{}", ++station.fresh)};
}

Reply upload(Station& station, Request& request) {
  const std::string &part = request.segments[4], &name = request.segments[5];
  std::error_code problem;
  fs::rename(request.uploaded, uploadFolder(station.library->folder(request.case_id), part) / name, problem);
  if (problem)
    return errorReply(409,
                      {Fault::kRequest, "server.upload_dropped_meanwhile", name, Message("server.send_file_again")});
  request.uploaded.clear();
  return emptyReply();
}

Reply dropUploads(Station& station, Request& request) {
  const std::string& part = request.segments[4];
  if (!isPart(part)) return notFound(part);
  if (!station.jobs->of(request.case_id).is_null()) return busy();
  std::error_code problem;
  fs::remove_all(uploadFolder(station.library->folder(request.case_id), part), problem);
  return emptyReply();
}

Reply startImport(Station& station, Request& request) {
  const auto body = bodyOf(request);
  if (!body) return body.error();
  const std::string& id = request.case_id;
  const std::string part = textOf(*body, "part");
  if (part != "images" && part != "other" && part != "films")
    return badRequest("server.part_must_images_other_films", "part");
  if (uploadsOf(station.library->folder(id))[part].empty())
    return badRequest("server.nothing_uploaded", part, Message("server.drop_images_onto_page"));
  if (part == "films")
    return started(station, id, "import",
                   [&station, id](const Progress& p) { return importFilms(station.services(), id, p); });
  return started(station, id, "import",
                 [&station, order = ImportOrder{id, part, textOf(*body, "series")}](const Progress& p) {
                   return importImages(station.services(), order, p);
                 });
}

Reply startPlan(Station& station, Request& request) {
  const auto body = bodyOf(request);
  if (!body) return body.error();
  const std::string& id = request.case_id;
  const std::string side = textOf(*body, "side"), lateral = textOf(*body, "lateral");
  if (!side.empty() && side != "left" && side != "right") return badRequest("server.side_must_left_right", "side");
  if (!lateral.empty() && lateral != "screws" && lateral != "wires")
    return badRequest("server.lateral_must_screws_wires", "lateral");
  const auto facts = station.cases->facts(id);
  if (!facts) return errorReply(facts.error());
  if (!facts->images) return badRequest("server.no_images_plan", "images", Message("server.give_ct_first"));
  return started(station, id, "plan", [&station, order = PlanOrder{id, side, lateral}](const Progress& p) {
    return planImages(station.services(), order, p);
  });
}

Reply startVerify(Station& station, Request& request) {
  const auto body = bodyOf(request);
  if (!body) return body.error();
  VerifyOrder order{request.case_id, {}, false};
  const Json views = body->value("views", Json::array());
  if (!views.is_array() || !std::all_of(views.begin(), views.end(), [](const Json& v) { return v.is_string(); }))
    return badRequest("server.views_must_list_words", "views");
  for (const Json& v : views) order.views.push_back(v.get<std::string>());
  const Json temporary = body->value("temporary", Json(false));
  if (!temporary.is_boolean()) return badRequest("server.temporary_must_true_false", "temporary");
  order.temporary = temporary.get<bool>();
  const auto facts = station.cases->facts(order.id);
  if (!facts) return errorReply(facts.error());
  if (!facts->plan) return badRequest("server.case_not_planned_yet", "plan", Message("server.plan_first"));
  if (uploadsOf(station.library->folder(order.id))["followup"].empty())
    return badRequest("server.nothing_uploaded", "followup", Message("server.drop_films_ct_onto_page"));
  return started(station, order.id, "verify",
                 [&station, order](const Progress& p) { return verifyImages(station.services(), order, p); });
}

Reply stopJob(Station& station, Request& request) {
  const std::string& job = request.segments[2];
  return station.jobs->cancel(job) ? emptyReply() : notFound(job);
}

}  // namespace rayset::server
