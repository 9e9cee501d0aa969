#include "server/work.h"

#include <fmt/format.h>

#include <algorithm>
#include <chrono>
#include <map>

#include "base/dates.h"
#include "case/plan_record.h"
#include "dicom/ct_reader.h"
#include "dicom/header.h"
#include "geometry/side.h"
#include "report/render.h"
#include "report/words.h"
#include "runs/runs.h"
#include "server/archive.h"
#include "server/case_codec.h"
#include "server/files.h"
#include "server/real_films.h"
#include "workspace/previews.h"

namespace rayset::server {
namespace fs = std::filesystem;

namespace {

/// A hidden folder of a job, removed with it unless it was adopted.
class WorkFolder {
 public:
  explicit WorkFolder(const fs::path& case_folder) : path_(case_folder / ".work") {
    fs::remove_all(path_, problem_);
    fs::create_directories(path_, problem_);
  }
  ~WorkFolder() {
    std::error_code ignored;
    fs::remove_all(path_, ignored);
  }
  WorkFolder(const WorkFolder&) = delete;
  WorkFolder& operator=(const WorkFolder&) = delete;

  /// A folder in it.
  [[nodiscard]] Result<fs::path> make(const std::string& name) const {
    std::error_code problem = problem_;
    if (!problem) fs::create_directories(path_ / name, problem);
    if (problem)
      return fail(Fault::kInternal, Message("server.folder_cannot_made", {{"message", problem.message()}}),
                  (path_ / name).string(), Message("server.check_free_space_permissions"));
    return path_ / name;
  }

 private:
  fs::path path_;
  std::error_code problem_;
};

/// Links (or copies) what was uploaded into `target`, archives unpacked.
Status layOut(const fs::path& uploaded, const fs::path& target, const Progress& progress) {
  std::vector<fs::path> files;
  std::error_code problem;
  for (const auto& entry : fs::directory_iterator(uploaded, problem))
    if (entry.is_regular_file() && entry.path().filename().string().front() != '.') files.push_back(entry.path());
  if (files.empty())
    return fail(Fault::kRequest, "server.nothing_uploaded", uploaded.filename().string(),
                Message("server.drop_images_onto_page"));
  std::sort(files.begin(), files.end());
  for (const fs::path& file : files) {
    if (progress.cancelled()) return cancelledError();
    const fs::path place = target / file.filename();
    if (isArchiveName(file.filename().string())) {
      fs::create_directories(place, problem);
      if (Status s = unpack(file, place, {}, progress); !s) return s;
      continue;
    }
    problem = linkOrCopy(file, place);
    if (problem)
      return fail(Fault::kInternal, Message("server.images_cannot_put_place", {{"message", problem.message()}}),
                  place.string(), Message("server.check_free_space_permissions"));
  }
  return {};
}

Status adopted(const Services& services, const std::string& id, const std::string& part, const fs::path& made,
               const std::string& kind, const Json& payload) {
  return services.cases.exclusively(id, [&]() -> Status {
    const auto row = services.library.adopt(id, part, made, kind, payload);
    if (!row) return tl::unexpected(row.error());
    return {};
  });
}

/// The same, with everything already laid out and read.
Status takeIn(const Services& services, const ImportOrder& order, const fs::path& laid_out, const Progress& progress) {
  const auto scan = readCt(laid_out, {order.series}, progress);
  if (!scan) return tl::unexpected(scan.error());
  if (progress.cancelled()) return cancelledError();
  ScanFacts facts{&*scan, {}};
  const fs::path view = services.library.folder(order.id) / "view";
  if (order.part == "images") {
    std::error_code problem;
    fs::create_directories(view, problem);
    if (writePng(view / ".preview.png", ctPreview(scan->volume))) facts.preview = "view/preview.png";
  }
  if (const Status s =
          adopted(services, order.id, order.part, laid_out, "import",
                  {{"part", order.part}, {"series", order.series}, {"facts", scanFactsCodec().write(facts)}});
      !s)
    return s;
  std::error_code ignored;
  if (order.part == "images") fs::rename(view / ".preview.png", view / "preview.png", ignored);
  return {};
}

}  // namespace

Status importImages(const Services& services, const ImportOrder& order, const Progress& progress) {
  const fs::path folder = services.library.folder(order.id);
  const WorkFolder work(folder);
  const auto images = work.make(order.part);
  if (!images) return tl::unexpected(images.error());
  const fs::path uploaded = uploadFolder(folder, order.part);
  if (Status s = layOut(uploaded, *images, progress); !s) return s;
  if (Status s = takeIn(services, order, *images, progress); !s) return s;
  std::error_code ignored;
  fs::remove_all(uploaded, ignored);
  return {};
}

Status importFilms(const Services& services, const std::string& id, const Progress& progress) {
  const auto facts = services.cases.facts(id);
  if (!facts) return tl::unexpected(facts.error());
  const fs::path folder = services.library.folder(id);
  const WorkFolder work(folder);
  const auto films = work.make("films"), given = work.make("given");
  if (!films || !given) return tl::unexpected(films ? given.error() : films.error());
  const fs::path uploaded = uploadFolder(folder, "films");
  if (Status s = layOut(uploaded, *given, progress); !s) return s;
  std::error_code problem;
  if (fs::exists(folder / "films", problem))
    for (const auto& entry : fs::directory_iterator(folder / "films", problem)) {
      problem = linkOrCopy(entry.path(), *films / entry.path().filename());
      if (problem) break;
    }
  if (problem)
    return fail(Fault::kInternal, Message("server.films_case_cannot_kept", {{"message", problem.message()}}), "films",
                Message("server.check_free_space_permissions"));
  const Json images = facts->images ? facts->images->payload.value("facts", Json(nullptr)) : Json(nullptr);
  const std::string side = facts->plan ? facts->plan->payload.value("side", std::string()) : std::string();
  const auto told = takeFilms(*given, *films, images, side, progress);
  if (!told) return tl::unexpected(told.error());
  // Nothing in the open case depends on films: it stays open.
  if (const auto row = services.library.adopt(id, "films", *films, "import", {{"part", "films"}, {"films", *told}});
      !row)
    return tl::unexpected(row.error());
  fs::remove_all(uploaded, problem);
  return {};
}

Status planImages(const Services& services, const PlanOrder& order, const Progress& progress) {
  const auto facts = services.cases.facts(order.id);
  if (!facts) return tl::unexpected(facts.error());
  if (!facts->images)
    return fail(Fault::kRequest, "server.no_images_plan", "images", Message("server.give_ct_injured_foot"));
  const fs::path folder = services.library.folder(order.id);
  const auto before = [&facts](const char* key) -> std::string {
    if (!facts->plan || !facts->plan->payload.contains(key)) return {};
    return facts->plan->payload[key].is_string() ? facts->plan->payload[key].get<std::string>() : std::string();
  };
  PlanRequest request;
  request.images = folder / "images";
  if (facts->other) request.other = folder / "other";
  request.series = facts->images->payload.value("series", std::string());
  const std::string side = order.side.empty() ? before("side") : order.side;
  request.side = sideFrom(side);
  const std::string lateral = order.lateral.empty() ? before("lateral") : order.lateral;
  request.construct.lateral_wires = lateral == "wires";
  if (!facts->said.bone_edits.empty()) {
    Json edits = facts->said.bone_edits;
    edits["schema"] = "rayset.edits/1";
    if (!side.empty()) edits["side"] = side;
    auto parsed = parseEdits(edits.dump(), "edits");
    if (!parsed) return tl::unexpected(parsed.error());
    request.edits = std::move(*parsed);
  }
  const WorkFolder work(folder);
  const auto made = work.make("plan");
  if (!made) return tl::unexpected(made.error());
  const auto planned = planInto(request, services.resources, *made, progress);
  if (!planned) return tl::unexpected(planned.error());
  return adopted(services, order.id, "plan", *made, "plan",
                 {{"side", sideWord(planned->side)},
                  {"lateral", lateral.empty() ? "screws" : lateral},
                  {"edits", facts->said.bone_edits},
                  {"partial", planned->partial}});
}

namespace {

/// Films (in the order of their names) or a CT among the files below `folder`.
struct Given {
  std::vector<fs::path> films;
  bool ct = false;
};
Result<Given> tellApart(const fs::path& folder) {
  Given given;
  for (const auto& entry : fs::recursive_directory_iterator(folder)) {
    if (!entry.is_regular_file()) continue;
    using Kind = dicom::ScanFile::Kind;
    const auto file = dicom::readHeader(entry.path(), fs::relative(entry.path(), folder).string());
    if (file.kind == Kind::kCt || file.kind == Kind::kLocalizer) given.ct = true;
    if (file.kind == Kind::kOther || file.kind == Kind::kDamaged) given.films.push_back(entry.path());
  }
  if (given.ct && !given.films.empty())
    return fail(Fault::kImages, "server.films_ct_together", given.films.front().filename().string(),
                Message("server.check_them_one_after_other"));
  if (!given.ct && given.films.empty())
    return fail(Fault::kImages, "server.no_dicom_images_among_these_files", "followup",
                Message("server.give_films_two_more_clearly_different"));
  std::sort(given.films.begin(), given.films.end());
  return given;
}

}  // namespace

Status verifyImages(const Services& services, const VerifyOrder& order, const Progress& progress) {
  const fs::path folder = services.library.folder(order.id);
  const auto plan = services.cases.editedPlan(order.id);
  if (!plan) return tl::unexpected(plan.error());
  const WorkFolder work(folder);
  const auto result = work.make("result");
  if (!result) return tl::unexpected(result.error());
  const auto images = work.make("images");
  if (!images) return tl::unexpected(images.error());
  const fs::path uploaded = uploadFolder(folder, "followup");
  if (Status s = layOut(uploaded, *images, progress); !s) return s;
  const auto given = tellApart(*images);
  if (!given) return tl::unexpected(given.error());
  VerifyRequest request;
  request.plan = *plan;
  request.films = given->films;
  if (given->ct) request.ct = *images;
  request.views = order.views;
  request.temporary = order.temporary;
  const int last = highestNumber(folder / "followup");
  const fs::path before = folder / "followup" / std::to_string(last);
  if (last > 0 && !earlierCheck(before).is_null()) request.earlier = before;
  auto input = readVerifyInput(request, services.resources);
  if (!input) return tl::unexpected(input.error());
  const auto found = verifyInto(*input, *result, progress);
  if (!found) return tl::unexpected(found.error());
  if (progress.cancelled()) return cancelledError();
  const int n = last + 1;
  std::error_code problem;
  fs::rename(*images, *result / "images", problem);
  if (problem)
    return fail(Fault::kInternal, Message("server.images_cannot_put_place", {{"message", problem.message()}}),
                images->string(), "");
  const std::string part = fmt::format("followup/{}", n);
  const std::string date = isoDate(found->date);
  FollowupCheck check;
  check.n = n;
  check.date = date.empty() ? localDay() : date;
  check.report = part + "/verification.pdf";
  check.ct = input->films.empty();
  check.found = recordOf(input->plan, *found);
  for (std::size_t f = 0; f < input->films.size(); ++f) {
    const FilmScan& scan = input->films[f].scan;
    RealFilm film = filmFacts(scan.info, scan.cautions);
    film.id = (fs::path(part) / "images" / given->films[f].lexically_relative(*images)).generic_string();
    film.name = givenName(given->films[f].filename().string());
    check.films.push_back(std::move(film));
  }
  const Json told = followupCheckCodec().write(check);
  if (const Status s = adopted(services, order.id, part, *result, "verify", {{"kind", told["kind"]}, {"check", told}});
      !s)
    return s;
  fs::remove_all(uploaded, problem);
  return {};
}

namespace {

Status copied(const fs::path& from, const fs::path& to) {
  std::error_code problem;
  fs::copy(from, to, fs::copy_options::recursive | fs::copy_options::skip_symlinks, problem);
  if (problem)
    return fail(Fault::kInternal, Message("server.folder_cannot_copied", {{"message", problem.message()}}),
                from.string(), Message("server.check_free_space_permissions"));
  return {};
}

}  // namespace

Result<std::string> addPlanned(const Services& services, const AddOrder& order, const Progress& progress) {
  const auto record = readPlan(order.plan);
  if (!record) return tl::unexpected(record.error());
  const std::string text = bytesOf(order.plan / "plan.json");
  const auto known = services.library.list({}, true);
  if (!known) return tl::unexpected(known.error());
  const std::string given = planKey(text);
  for (const CaseRow& row : *known) {
    if (row.first_name != order.name) continue;
    const auto history = services.library.history(row.id);
    if (!history) return tl::unexpected(history.error());
    for (const HistoryRow& h : *history)
      if (h.kind == "plan" && h.payload.value("given", std::string()) == given) return row.id;
  }

  const Json plan = Json::parse(text, nullptr, false);
  std::string series;
  if (plan.contains("images")) series = plan["images"].value("series_uid", std::string());
  const auto made = services.library.create(order.name);
  if (!made) return tl::unexpected(made.error());
  const std::string& id = made->id;
  const auto filled = [&]() -> Status {
    const WorkFolder work(services.library.folder(id));
    const auto images = work.make("images");
    if (!images) return tl::unexpected(images.error());
    if (Status s = copied(order.images, *images); !s) return s;
    if (Status s = takeIn(services, {id, "images", series}, *images, progress); !s) return s;
    Json edits = Json::object();
    if (plan.contains("edits") && plan["edits"].is_object()) {
      Json source = plan["edits"].value("request", Json::object());
      if (source.is_object()) {
        source.erase("schema");
        source.erase("side");
        edits = source;
      }
    }
    // The plan's corrections belong to the case from now on.
    if (!edits.empty())
      if (const auto row = services.library.append(id, "bones.edit", {{"edits", edits}}); !row)
        return tl::unexpected(row.error());
    const auto folder = work.make("plan");
    if (!folder) return tl::unexpected(folder.error());
    if (Status s = copied(order.plan, *folder); !s) return s;
    return adopted(services, id, "plan", *folder, "plan",
                   {{"side", sideWord(record->side)}, {"edits", edits}, {"given", given}});
  }();
  if (!filled) {
    // The failed import would leave an empty case in the list.
    (void)services.library.append(id, "case.hide", {{"hidden", true}});
    (void)services.cases.state(id);
    return tl::unexpected(filled.error());
  }
  if (const auto state = services.cases.state(id); !state) return tl::unexpected(state.error());
  return id;
}

void sweep(const Library& library) {
  const auto cases = library.list({}, true);
  if (!cases) return;
  std::error_code ignored;
  for (const CaseRow& row : *cases) {
    const fs::path folder = library.folder(row.id);
    fs::remove_all(folder / ".work", ignored);
    for (const char* part : kParts)
      for (const auto& entry : fs::directory_iterator(uploadFolder(folder, part), ignored))
        if (entry.path().filename().string().front() == '.') fs::remove(entry.path(), ignored);
    for (const auto& entry : fs::directory_iterator(folder / "view", ignored))
      if (entry.path().filename().string().front() == '.') fs::remove_all(entry.path(), ignored);
  }
}

}  // namespace rayset::server
