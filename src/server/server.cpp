#include "server/server.h"

#include <fmt/format.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <atomic>
#include <cstring>
#include <ctime>
#include <fstream>

#include "base/units.h"
#include "case/followup.h"
#include "geometry/json.h"
#include "server/archive.h"
#include "server/events.h"
#include "server/files.h"
#include "server/jobs.h"
#include "server/real_films.h"

namespace rayset::server {
namespace fs = std::filesystem;

namespace {

constexpr std::uint64_t kBodyLimit = std::uint64_t{2} << 20U;    // edits, in memory
constexpr std::uint64_t kUploadLimit = std::uint64_t{4} << 30U;  // one file
constexpr std::size_t kMostUploads = 50'000;                     // files of one part
constexpr std::size_t kLongestToken = 64;                        // bytes
constexpr int kDeepest = 32;                                     // brackets in JSON
constexpr auto kHeartbeat = std::chrono::seconds(15);
constexpr const char* kAdvice = "Rayset advises; a licensed surgeon decides. Not a medical device.";

std::string dumped(const Json& j) { return j.dump(-1, ' ', false, Json::error_handler_t::replace); }

Reply jsonReply(const Json& j, int status = 200) {
  Reply reply;
  reply.status = status;
  reply.body = dumped(j);
  return reply;
}

Reply errorReply(int status, const Error& error) {
  return jsonReply({{"error", {{"what", error.what}, {"where", error.where}, {"remedy", error.remedy}}}}, status);
}
Reply errorReply(const Error& error) {
  switch (error.fault) {
    case Fault::kRequest:
      return errorReply(400, error);
    case Fault::kImages:
      return errorReply(422, error);
    case Fault::kCancelled:
    case Fault::kInternal:
      break;
  }
  return errorReply(500, error);
}
Reply badRequest(std::string what, std::string where = {}, std::string remedy = {}) {
  return errorReply(400, {Fault::kRequest, std::move(what), std::move(where), std::move(remedy)});
}
Reply notFound(std::string where) {
  return errorReply(404, {Fault::kRequest, "there is nothing here", std::move(where), "Go back to the list of cases."});
}
Reply busy() {
  return errorReply(409, {Fault::kRequest, "a job of this case is running", "job", "Wait for it or stop it."});
}
Reply replyOf(const Result<Json>& result) { return result ? jsonReply(*result) : errorReply(result.error()); }

/// No deeper than kDeepest: what comes in must not exhaust the stack when it is written out.
bool shallow(const std::string& text) {
  int depth = 0;
  bool quoted = false;
  for (std::size_t n = 0; n < text.size(); ++n) {
    const char c = text[n];
    if (quoted) {
      if (c == '\\') ++n;
      if (c == '"') quoted = false;
    } else if (c == '"') {
      quoted = true;
    } else if (c == '[' || c == '{') {
      if (++depth > kDeepest) return false;
    } else if (c == ']' || c == '}') {
      --depth;
    }
  }
  return true;
}

/// The body as an object; an empty body is an empty one.
tl::expected<Json, Reply> bodyOf(const Request& request) {
  if (request.body.empty()) return Json::object();
  Json j = shallow(request.body) ? Json::parse(request.body, nullptr, false) : Json(Json::value_t::discarded);
  if (!j.is_object())
    return tl::unexpected(badRequest("the body of the request is no JSON object", "body", "Load the page anew."));
  return j;
}

/// Reads the fields of a request; the first that is wrong is remembered.
class Fields {
 public:
  explicit Fields(const std::map<std::string, std::string>& query) : query_(query) {}
  [[nodiscard]] std::string text(const std::string& key, const std::string& otherwise = {}) const {
    const auto it = query_.find(key);
    return it == query_.end() ? otherwise : it->second;
  }
  double number(const std::string& key, double otherwise) {
    const auto it = query_.find(key);
    if (it == query_.end()) return otherwise;
    char* end = nullptr;
    const double value = std::strtod(it->second.c_str(), &end);
    if (it->second.empty() || end != it->second.c_str() + it->second.size() || !std::isfinite(value) ||
        std::abs(value) > 1e6) {
      wrong(key, "a number");
      return otherwise;
    }
    return value;
  }
  int whole(const std::string& key, int otherwise) {
    const double value = number(key, otherwise);
    if (value != std::floor(value)) wrong(key, "a whole number");
    return static_cast<int>(value);
  }
  Ray ray(const std::string& key, Ray otherwise) {
    const auto given = Ray::from(whole(key, otherwise.number()));
    if (!given) wrong(key, "the number of a ray, 1 to 5");
    return given.value_or(otherwise);
  }
  template <class T>
  T word(const std::string& key, std::initializer_list<std::pair<const char*, T>> known, T otherwise) {
    const auto it = query_.find(key);
    if (it == query_.end()) return otherwise;
    std::string words;
    for (const auto& [name, value] : known) {
      if (it->second == name) return value;
      words += (words.empty() ? "" : ", ") + std::string(name);
    }
    wrong(key, "one of " + words);
    return otherwise;
  }
  std::optional<Reply> problem;

 private:
  void wrong(const std::string& key, const std::string& wanted) {
    if (!problem) problem = badRequest(fmt::format("{} must be {}", key, wanted), key);
  }
  const std::map<std::string, std::string>& query_;
};

void append(std::string& out, const void* data, std::size_t bytes) {
  out.append(static_cast<const char*>(data), bytes);
}

Json lineJson(const std::vector<Eigen::Vector2d>& line) {
  Json out = Json::array();
  for (const auto& p : line) out.push_back({rounded(p.x(), 2), rounded(p.y(), 2)});
  return out;
}

Reply sliceReply(const Slice& s) {
  Json head{{"width", s.width},
            {"height", s.height},
            {"mm_per_pixel", s.mm_per_pixel},
            {"origin", pointJson(s.origin, 4)},
            {"right", pointJson(s.right, 9)},
            {"down", pointJson(s.down, 9)},
            {"normal", pointJson(s.normal, 9)}};
  head["outlines"] = Json::array();
  for (const Slice::Outline& o : s.outlines) {
    Json lines = Json::array();
    for (const auto& line : o.lines) lines.push_back(lineJson(line));
    head["outlines"].push_back({{"body", o.body}, {"lines", std::move(lines)}});
  }
  head["left"] = s.left;
  head["right_word"] = s.right_word;
  head["top"] = s.top;
  head["bottom"] = s.bottom;
  head["margin_mm"] = s.has_margin ? Json(rounded(s.margin_mm, 3)) : Json(nullptr);
  head["margin_at"] = s.has_margin ? Json({rounded(s.margin_at.x(), 2), rounded(s.margin_at.y(), 2)}) : Json(nullptr);
  const std::string text = dumped(head);
  Reply reply;
  reply.type = "application/octet-stream";
  const auto length = static_cast<std::uint32_t>(text.size());
  append(reply.body, &length, sizeof length);
  reply.body += text;
  reply.body.resize((reply.body.size() + 3) / 4 * 4, '\0');
  append(reply.body, s.hu.data(), s.hu.size() * sizeof(std::int16_t));
  return reply;
}

std::string meshBytes(const Surface& mesh) {
  std::string out;
  const auto vertices = static_cast<std::uint32_t>(mesh.vertices.size());
  const auto triangles = static_cast<std::uint32_t>(mesh.triangles.size());
  out.reserve(8 + 12 * (mesh.vertices.size() + mesh.triangles.size()));
  append(out, &vertices, 4);
  append(out, &triangles, 4);
  for (const Vec3& v : mesh.vertices) {
    const std::array<float, 3> xyz{static_cast<float>(v.x()), static_cast<float>(v.y()), static_cast<float>(v.z())};
    append(out, xyz.data(), sizeof xyz);
  }
  for (const auto& t : mesh.triangles) append(out, t.data(), sizeof t);
  return out;
}

const Surface* surfaceOf(const Case& c, const std::string& id) {
  if (const auto bone = boneFromId(id)) {
    const auto it = c.bones.find(*bone);
    if (it != c.bones.end()) return &it->second.surface;
  }
  const auto fragment = c.fragments.find(id);
  return fragment == c.fragments.end() ? nullptr : &fragment->second.bone.surface;
}

bool acceptableName(const std::string& name) {
  return !name.empty() && name.size() <= 200 && name.front() != '.' && name.find_first_of("/\\:") == std::string::npos;
}

bool isPart(const std::string& part) { return std::find(kParts.begin(), kParts.end(), part) != kParts.end(); }

std::string stampNow() {
  const std::time_t t = std::time(nullptr);
  std::tm utc{};
  gmtime_r(&t, &utc);
  return fmt::format("{:04}{:02}{:02}T{:02}{:02}{:02}Z", utc.tm_year + 1900, utc.tm_mon + 1, utc.tm_mday, utc.tm_hour,
                     utc.tm_min, utc.tm_sec);
}

}  // namespace

struct Server::Impl {
  ServerSettings settings;
  std::unique_ptr<Library> library;
  Events events;
  std::unique_ptr<Jobs> jobs;
  std::unique_ptr<OpenCases> cases;
  std::atomic<std::uint16_t> port{0};
  std::atomic<std::uint64_t> incoming{0};
  std::unique_ptr<HttpServer> http;  // last: it goes first

  [[nodiscard]] Services services() const { return {*library, *cases, settings.resources}; }

  // ------------------------------------------------------------------ what is let in

  [[nodiscard]] std::optional<Reply> refusal(const Request& r) const {
    if (r.host != fmt::format("127.0.0.1:{}", port.load()) && r.host != fmt::format("localhost:{}", port.load()))
      return badRequest("this server is known by another name", "Host", "Use the address that rayset printed.");
    if (r.method != "GET" && r.method != "POST" && r.method != "PUT" && r.method != "DELETE") {
      Reply reply = errorReply(405, {Fault::kRequest, "this method is not known here", r.method, ""});
      reply.headers.emplace_back("Allow", "GET, POST, PUT, DELETE");
      return reply;
    }
    if (r.method != "GET" && !r.marked)
      return badRequest("the request does not come from the page of this program", "X-Rayset",
                        "Send the header X-Rayset: 1.");
    return std::nullopt;
  }

  tl::expected<Intake, Reply> accept(const Request& r) {
    if (auto refused = refusal(r)) return tl::unexpected(std::move(*refused));
    if (r.method == "POST") return Intake{kBodyLimit, {}};
    if (r.method != "PUT") return Intake{};
    const auto& s = r.segments;
    if (s.size() != 6 || s[0] != "api" || s[1] != "cases" || s[3] != "upload" || !isPart(s[4]) || !library->find(s[2]))
      return tl::unexpected(notFound(r.method));
    if (!acceptableName(s[5]))
      return tl::unexpected(badRequest("this is no name for a file", s[5].substr(0, 200),
                                       "Use a plain name of at most 200 bytes that does not begin with a dot."));
    if (!jobs->of(s[2]).is_null()) return tl::unexpected(busy());
    const fs::path folder = uploadFolder(library->folder(s[2]), s[4]);
    std::error_code problem;
    fs::create_directories(folder, problem);
    std::size_t count = 0;
    for (auto it = fs::directory_iterator(folder, problem); !problem && it != fs::directory_iterator();
         it.increment(problem))
      ++count;
    if (count >= kMostUploads)
      return tl::unexpected(badRequest(fmt::format("there are {} files already", count), s[4], "Pack them as a .zip."));
    return Intake{kUploadLimit, folder / fmt::format(".incoming-{}", ++incoming)};
  }

  // ------------------------------------------------------------------ routes

  Reply answer(Request& r) {
    Reply reply;
    try {
      reply = route(r);
    } catch (const std::bad_alloc&) {
      reply = errorReply(500, {Fault::kInternal, "there is not enough memory", "", "Close other programs."});
    } catch (const std::exception& e) {
      reply = errorReply(500, {Fault::kInternal, std::string("something failed that should not: ") + e.what(), "",
                               "Please report this."});
    }
    if (!r.segments.empty() && r.segments[0] == "api" && reply.status != 304 &&
        std::none_of(reply.headers.begin(), reply.headers.end(),
                     [](const auto& h) { return h.first == "Cache-Control"; }))
      reply.headers.emplace_back("Cache-Control", "no-store");
    return reply;
  }

  Reply route(Request& r) {
    const auto& s = r.segments;
    if (s.empty() || s[0] != "api") return r.method == "GET" ? page(r) : notFound(r.method);
    if (s.size() == 2 && s[1] == "about" && r.method == "GET")
      return jsonReply({{"version", settings.version}, {"advice", kAdvice}});
    if (s.size() == 2 && s[1] == "events" && r.method == "GET") return listen(r);
    if (s.size() == 3 && s[1] == "jobs" && r.method == "DELETE") {
      if (!jobs->cancel(s[2])) return notFound(s[2]);
      return empty();
    }
    if (s.size() >= 2 && s[1] == "cases") return s.size() == 2 ? allCases(r) : oneCase(r);
    return notFound(s.back());
  }

  static Reply empty() {
    Reply reply;
    reply.status = 204;
    return reply;
  }

  Reply page(const Request& r) {
    const auto& s = r.segments;
    if (s.empty() || (s[0] == "watch" && s.size() == 2)) {
      const fs::path index = fileBelow(settings.web, {"index.html"});
      if (!index.empty()) return fileReply(index, r);
      Reply reply = errorReply(404, {Fault::kRequest, "the page is not built", settings.web.string(),
                                     "Build it (npm run build in web/) or give its folder with --web."});
      return reply;
    }
    if (s[0] == "assets" && s.size() >= 2) {
      const fs::path file = fileBelow(settings.web, {s.begin() + 1, s.end()});
      if (!file.empty()) return fileReply(file, r);
    }
    return notFound(s.back());
  }

  Reply listen(const Request& r) {
    const auto it = r.query.find("case");
    const std::string id = it == r.query.end() ? "" : it->second;
    if (!id.empty() && !library->find(id)) return notFound(id);
    Reply reply;
    reply.type = "text/event-stream";
    reply.headers.emplace_back("Cache-Control", "no-store");
    reply.stream = [this, id, listener = events.listen(id)](Sink& sink) {
      // A page that comes back after a break hears at once where things stand.
      std::string first = "retry: 1000\n\n";
      if (const auto row = library->find(id); row)
        first += fmt::format("event: case\ndata: {}\n\n", dumped({{"id", id}, {"seq", row->seq}}));
      if (const Json job = jobs->of(id); !job.is_null()) first += fmt::format("event: job\ndata: {}\n\n", dumped(job));
      if (!sink.write(first)) return;
      while (const auto event = listener->next(kHeartbeat))
        if (!sink.write(event->empty() ? std::string(": still here\n\n") : *event)) return;
    };
    return reply;
  }

  Reply allCases(const Request& r) {
    if (r.method == "POST") {
      const auto body = bodyOf(r);
      if (!body) return body.error();
      const Json name = body->value("name", Json(nullptr));
      if (!name.is_string() || name.get_ref<const std::string&>().find_first_not_of(' ') == std::string::npos ||
          name.get_ref<const std::string&>().size() > 200)
        return badRequest("a case needs a name of at most 200 bytes", "name", "Give it a name.");
      const auto made = cases->create(name.get<std::string>());
      if (!made) return errorReply(made.error());
      announce(made->at("id").get<std::string>());
      return jsonReply(*made, 201);
    }
    if (r.method != "GET") return notFound("cases");
    const auto search = r.query.find("search");
    const auto hidden = r.query.find("hidden");
    const auto rows =
        library->list(search == r.query.end() ? "" : search->second, hidden != r.query.end() && hidden->second == "1");
    if (!rows) return errorReply(rows.error());
    Json list = Json::array();
    for (const CaseRow& row : *rows)
      list.push_back({{"id", row.id},
                      {"name", row.name},
                      {"created", row.created},
                      {"updated", row.updated},
                      {"seq", row.seq},
                      {"hidden", row.hidden},
                      {"summary", row.summary}});
    return jsonReply(list);
  }

  void announce(const std::string& id) {
    if (const auto row = library->find(id)) events.send(id, "case", {{"id", id}, {"seq", row->seq}});
  }
  Reply announced(const std::string& id, const Result<Json>& result) {
    if (result) announce(id);
    return replyOf(result);
  }

  Reply oneCase(Request& r) {
    const auto& s = r.segments;
    const std::string& id = s[2];
    if (!library->find(id)) return notFound(id);
    if (s.size() == 3) return r.method == "GET" ? replyOf(cases->state(id)) : notFound(r.method);
    const std::string& what = s[3];
    if (what == "upload") return upload(r, id);
    if (r.method == "POST" && s.size() == 4) return write(r, id, what);
    if (r.method != "GET") return notFound(what);
    if (what == "files") return file(r, id);
    if (what == "real-film" && s.size() > 4) return realFilm(r, id);
    if (what == "mesh" && s.size() == 5) return mesh(id, s[4]);
    if (s.size() != 4) return notFound(s.back());
    if (what == "slice") return slice(r, id);
    if (what == "film") return film(r, id);
    if (what == "exports") return exports(id);
    if (what == "followup.ics") return calendar(id);
    if (what == "measures.csv") return measures(id);
    if (what == "case.json") return caseJson(id);
    if (what == "all.zip") return archive(id);
    if (what == "thumbnail") return thumbnail(r, id);
    return notFound(what);
  }

  // ------------------------------------------------------------------ writing

  Reply write(const Request& r, const std::string& id, const std::string& what) {
    const auto body = bodyOf(r);
    if (!body) return body.error();
    const Json named = body->value("token", Json(""));
    if (!named.is_string() || named.get_ref<const std::string&>().size() > kLongestToken)
      return badRequest(fmt::format("a token is a text of at most {} bytes", kLongestToken), "token");
    const auto token = named.get<std::string>();
    if (what == "undo") return announced(id, cases->undo(id, token));
    if (what == "redo") return announced(id, cases->redo(id, token));
    if (what == "edits" || what == "try") {
      Json payload = *body;
      const Json kind = payload.value("kind", Json(nullptr));
      if (!kind.is_string()) return badRequest("an edit needs a kind", "kind");
      payload.erase("kind");
      payload.erase("token");
      if (what == "try") return replyOf(cases->tryEdit(id, kind.get<std::string>(), payload));
      return announced(id, cases->edit(id, kind.get<std::string>(), payload, token));
    }
    if (what == "import") return import(id, *body);
    if (what == "plan") return plan(id, *body);
    if (what == "verify") return verify(id, *body);
    return notFound(what);
  }

  Reply start(const std::string& id, const std::string& kind, Jobs::Work work) {
    const auto job = jobs->add(id, kind, [this, id, kind, work = std::move(work)](const Progress& progress) {
      const Status done = work(progress);
      if (done) {
        // So that the list and other pages know at once.
        if (const auto state = cases->state(id); !state) return Status(tl::unexpected(state.error()));
        if (kind == "plan") warm(id);
        announce(id);
      }
      return done;
    });
    if (!job) return busy();
    return jsonReply({{"job", *job}}, 202);
  }

  Reply import(const std::string& id, const Json& body) {
    const std::string part = textOf(body, "part");
    if (part != "images" && part != "other" && part != "films")
      return badRequest("part must be images, other or films", "part");
    if (uploadsOf(library->folder(id))[part].empty())
      return badRequest("nothing was uploaded", part, "Drop images onto the page.");
    if (part == "films")
      return start(id, "import", [this, id](const Progress& p) { return importFilms(services(), id, p); });
    return start(id, "import", [this, order = ImportOrder{id, part, textOf(body, "series")}](const Progress& p) {
      return importImages(services(), order, p);
    });
  }

  Reply plan(const std::string& id, const Json& body) {
    const std::string side = textOf(body, "side"), lateral = textOf(body, "lateral");
    if (!side.empty() && side != "left" && side != "right") return badRequest("side must be left or right", "side");
    if (!lateral.empty() && lateral != "screws" && lateral != "wires")
      return badRequest("lateral must be screws or wires", "lateral");
    const auto facts = cases->facts(id);
    if (!facts) return errorReply(facts.error());
    if (!facts->images) return badRequest("there are no images to plan from", "images", "Give the CT first.");
    return start(id, "plan", [this, order = PlanOrder{id, side, lateral}](const Progress& p) {
      return planImages(services(), order, p);
    });
  }

  Reply verify(const std::string& id, const Json& body) {
    VerifyOrder order{id, {}, false};
    const Json views = body.value("views", Json::array());
    if (!views.is_array() || !std::all_of(views.begin(), views.end(), [](const Json& v) { return v.is_string(); }))
      return badRequest("views must be a list of words", "views");
    for (const Json& v : views) order.views.push_back(v.get<std::string>());
    const Json temporary = body.value("temporary", Json(false));
    if (!temporary.is_boolean()) return badRequest("temporary must be true or false", "temporary");
    order.temporary = temporary.get<bool>();
    const auto facts = cases->facts(id);
    if (!facts) return errorReply(facts.error());
    if (!facts->plan) return badRequest("this case is not planned yet", "plan", "Plan it first.");
    if (uploadsOf(library->folder(id))["followup"].empty())
      return badRequest("nothing was uploaded", "followup", "Drop films or a CT onto the page.");
    return start(id, "verify", [this, order](const Progress& p) { return verifyImages(services(), order, p); });
  }

  Reply upload(Request& r, const std::string& id) {
    const auto& s = r.segments;
    if (s.size() == 5 && r.method == "DELETE") {
      if (!isPart(s[4])) return notFound(s[4]);
      if (!jobs->of(id).is_null()) return busy();
      std::error_code problem;
      fs::remove_all(uploadFolder(library->folder(id), s[4]), problem);
      return empty();
    }
    if (s.size() != 6 || r.method != "PUT") return notFound(s.back());
    std::error_code problem;
    fs::rename(r.uploaded, uploadFolder(library->folder(id), s[4]) / s[5], problem);
    if (problem)
      return errorReply(409, {Fault::kRequest, "the upload was dropped meanwhile", s[5], "Send the file again."});
    r.uploaded.clear();
    return empty();
  }

  // ------------------------------------------------------------------ looking

  /// What the first view of a planned case needs, made before anybody looks. Whatever fails here fails again, in words,
  /// when it is asked for.
  void warm(const std::string& id) {
    std::vector<std::string> bodies;
    if (const auto look = cases->view(id, OpenCases::Needs::kCase)) {
      for (const auto& [bone, found] : look->edited->bones) bodies.emplace_back(boneId(bone));
      for (const auto& [fragment, found] : look->edited->fragments) bodies.push_back(fragment);
    }
    tbb::parallel_for(std::size_t{0}, bodies.size(), [&](std::size_t n) { (void)mesh(id, bodies[n]); });
    if (!bodies.empty()) (void)cases->view(id, OpenCases::Needs::kSlicer);
  }

  Reply mesh(const std::string& id, const std::string& body) {
    const auto look = cases->view(id, OpenCases::Needs::kCase);
    if (!look) return errorReply(look.error());
    const Surface* surface = surfaceOf(*look->edited, body);
    if (surface == nullptr) return notFound(body);
    Reply reply;
    reply.type = "application/octet-stream";
    // Bones as scanned change with the plan only; older plans' meshes go when the first of a new one is made.
    const fs::path view = library->folder(id) / "view";
    const fs::path folder = view / fmt::format("mesh-{}", look->plan), file = folder / (body + ".bin");
    std::error_code problem;
    if (!fs::exists(file, problem)) {
      if (!fs::exists(folder, problem))
        for (auto it = fs::directory_iterator(view, problem); !problem && it != fs::directory_iterator();
             it.increment(problem))
          if (it->path() != folder && it->path().filename().string().rfind("mesh-", 0) == 0)
            fs::remove_all(it->path(), problem);
      fs::create_directories(folder, problem);
      reply.body = meshBytes(lightMesh(*surface));
      const fs::path fresh = folder / fmt::format(".{}-{}", body, ++incoming);
      std::ofstream(fresh, std::ios::binary) << reply.body;
      if (fs::file_size(fresh, problem) == reply.body.size()) fs::rename(fresh, file, problem);
      return reply;
    }
    reply.file = file;
    return reply;
  }

  Reply slice(const Request& r, const std::string& id) {
    Fields f(r.query);
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
    const auto look = cases->view(id, OpenCases::Needs::kSlicer);
    if (!look) return errorReply(look.error());
    const auto made = look->slicer->slice(*look->edited, q);
    return made ? sliceReply(*made) : errorReply(made.error());
  }

  Reply film(const Request& r, const std::string& id) {
    Fields f(r.query);
    FilmRequest q;
    using Show = FilmRequest::Show;
    q.orbital_deg = f.number("orbital", q.orbital_deg);
    q.tilt_deg = f.number("tilt", q.tilt_deg);
    q.view = f.text("view");
    q.show = f.word<Show>("show", {{"injured", Show::kInjured}, {"reduced", Show::kReduced}, {"metal", Show::kMetal}},
                          Show::kMetal);
    q.pixels = f.whole("pixels", q.pixels);
    if (f.problem) return *f.problem;
    const auto look = cases->view(id, OpenCases::Needs::kStudio);
    if (!look) return errorReply(look.error());
    const auto made = look->studio->film(*look->edited, q);
    if (!made) return errorReply(made.error());
    Reply reply;
    reply.type = "image/png";
    reply.body.assign(made->begin(), made->end());
    return reply;
  }

  Reply realFilm(const Request& r, const std::string& id) {
    const auto facts = cases->facts(id);
    if (!facts) return errorReply(facts.error());
    std::string wanted;
    for (std::size_t n = 4; n < r.segments.size(); ++n) wanted += (n > 4 ? "/" : "") + r.segments[n];
    const auto among = [&wanted](const Json& films) {
      return films.is_array() &&
             std::any_of(films.begin(), films.end(), [&](const Json& f) { return textOf(f, "id") == wanted; });
    };
    const bool known =
        among(facts->films) || std::any_of(facts->checks.begin(), facts->checks.end(), [&](const auto& c) {
          return c.payload.contains("check") && among(c.payload["check"].value("films", Json()));
        });
    const fs::path file =
        known ? fileBelow(library->folder(id), {r.segments.begin() + 4, r.segments.end()}) : fs::path();
    if (file.empty()) return notFound(r.segments.back());
    const auto picture = filmPicture(file);
    if (!picture) return errorReply(picture.error());
    Reply reply;
    reply.type = picture->type;
    reply.body = picture->bytes;
    return reply;
  }

  Reply thumbnail(const Request& r, const std::string& id) {
    const auto facts = cases->facts(id);
    if (!facts) return errorReply(facts.error());
    const fs::path folder = library->folder(id);
    fs::path picture;
    if (facts->plan) picture = fileBelow(folder / "plan", {"pictures", "injured_dorsal.png"});
    if (picture.empty() && facts->images) picture = fileBelow(folder / "view", {"preview.png"});
    return picture.empty() ? notFound("thumbnail") : fileReply(picture, r);
  }

  Reply file(const Request& r, const std::string& id) {
    const auto found = exportedFile(*cases, library->folder(id), id, {r.segments.begin() + 4, r.segments.end()});
    if (!found) return errorReply(found.error());
    return found->empty() ? notFound(r.segments.back()) : fileReply(*found, r);
  }

  // ------------------------------------------------------------------ taking away

  Reply exports(const std::string& id) {
    const auto facts = cases->facts(id);
    if (!facts) return errorReply(facts.error());
    Json list = Json::array();
    for (const Export& e : exportsOf(library->folder(id), *facts)) {
      std::string path;
      for (const std::string& part : e.path) path += (path.empty() ? "" : "/") + part;
      std::error_code problem;
      const auto bytes = e.file.empty() ? 0 : fs::file_size(e.file, problem);
      list.push_back({{"name", e.name}, {"what", e.what}, {"path", path}, {"bytes", problem ? 0 : bytes}});
    }
    return jsonReply(list);
  }

  static Reply download(std::string type, const std::string& name, std::string body) {
    Reply reply;
    reply.type = std::move(type);
    reply.headers.emplace_back("Content-Disposition", fmt::format("attachment; filename=\"{}\"", name));
    reply.body = std::move(body);
    return reply;
  }

  Result<std::string> calendarText(const Json& state) {
    const Json date = state["followup"]["surgery_date"];
    std::vector<Appointment> plan;
    for (const Json& a : state["followup"]["plan"])
      plan.push_back({a["id"], a["week_from"], a["week_to"], a["title"], a["text"], a["source"], a["certainty"]});
    return followupCalendar(plan, date.is_string() ? date.get<std::string>() : "", state["name"].get<std::string>(),
                            state["id"].get<std::string>(), stampNow());
  }

  Reply calendar(const std::string& id) {
    const auto state = cases->state(id);
    if (!state) return errorReply(state.error());
    const auto text = calendarText(*state);
    if (!text) return errorReply(text.error());
    return download("text/calendar; charset=utf-8", "followup.ics", *text);
  }

  Reply measures(const std::string& id) {
    const auto state = cases->state(id);
    if (!state) return errorReply(state.error());
    return download("text/csv; charset=utf-8; header=present", "measures.csv", measuresCsv(*state));
  }

  Result<std::string> caseText(const std::string& id, const Json& state) {
    const auto history = library->history(id);
    if (!history) return tl::unexpected(history.error());
    Json rows = Json::array();
    for (const HistoryRow& h : *history) {
      Json row{{"seq", h.seq}, {"at", h.at}, {"kind", h.kind}, {"payload", h.payload}, {"active", h.active}};
      if (h.target != 0) row["target"] = h.target;
      rows.push_back(std::move(row));
    }
    return Json{{"schema", "rayset.case/1"}, {"state", state}, {"history", rows}}.dump(1, ' ', false,
                                                                                       Json::error_handler_t::replace);
  }

  Reply caseJson(const std::string& id) {
    const auto state = cases->state(id);
    if (!state) return errorReply(state.error());
    const auto text = caseText(id, *state);
    if (!text) return errorReply(text.error());
    return download("application/json", "case.json", *text);
  }

  /// Everything but the images.
  Reply archive(const std::string& id) {
    const auto state = cases->state(id);
    if (!state) return errorReply(state.error());
    auto facts = cases->facts(id);
    if (!facts) return errorReply(facts.error());
    if (facts->plan) {
      if (const auto edited = cases->editedPlan(id); !edited) return errorReply(edited.error());
      if (const auto films = cases->films(id); !films) return errorReply(films.error());
      facts = cases->facts(id);
    }
    const auto text = caseText(id, *state);
    if (!text) return errorReply(text.error());
    Reply reply;
    reply.type = "application/zip";
    reply.headers.emplace_back("Content-Disposition", "attachment; filename=\"rayset-case.zip\"");
    reply.stream = [files = exportsOf(library->folder(id), *facts), text = *text, csv = measuresCsv(*state),
                    ics = calendarText(*state)](Sink& sink) {
      ZipWriter zip(sink);
      bool good = zip.add("case.json", text) && zip.add("measures.csv", csv);
      if (good && ics) good = zip.add("followup.ics", *ics);
      for (const Export& e : files) {
        if (!good) return;
        if (e.file.empty()) continue;
        std::string name;
        for (const std::string& part : e.path) name += (name.empty() ? "" : "/") + part;
        good = zip.addFile(name, e.file);
      }
      if (good) (void)zip.finish();
    };
    return reply;
  }

  static std::string textOf(const Json& j, const char* key) {
    const auto it = j.find(key);
    return it != j.end() && it->is_string() ? it->get<std::string>() : std::string();
  }
};

Server::Server(std::unique_ptr<Impl> impl) : impl_(std::move(impl)) {}

Result<std::unique_ptr<Server>> Server::start(const ServerSettings& settings) {
  auto library = Library::open(settings.cases);
  if (!library) return tl::unexpected(library.error());
  auto impl = std::make_unique<Impl>();
  Impl* raw = impl.get();
  raw->settings = settings;
  raw->library = std::move(*library);
  sweep(*raw->library);
  raw->jobs = std::make_unique<Jobs>(
      [raw](const std::string& case_id, const Json& job) { raw->events.send(case_id, "job", job); });
  raw->cases = std::make_unique<OpenCases>(*raw->library, *raw->jobs, raw->settings.resources);
  auto http = HttpServer::start(settings.http, {[raw](const Request& r) { return raw->accept(r); },
                                                [raw](Request& r) { return raw->answer(r); }});
  if (!http) return tl::unexpected(http.error());
  raw->http = std::move(*http);
  raw->port = raw->http->port();
  return std::unique_ptr<Server>(new Server(std::move(impl)));
}

Server::~Server() {
  impl_->events.close();
  impl_->http.reset();
  impl_->jobs.reset();
}

std::uint16_t Server::port() const { return impl_->port; }
std::string Server::address() const { return fmt::format("http://127.0.0.1:{}/", port()); }
Result<std::string> Server::add(const AddOrder& order, const Progress& progress) {
  auto id = addPlanned(impl_->services(), order, progress);
  if (id) {
    impl_->warm(*id);
    impl_->announce(*id);
  }
  return id;
}

}  // namespace rayset::server
