#include "server/files.h"

#include <fmt/format.h>
#include <sys/stat.h>

#include <algorithm>
#include <array>
#include <fstream>

namespace rayset::server {
namespace fs = std::filesystem;

namespace {

struct Kind {
  std::string_view ending, type;
};
constexpr std::array<Kind, 15> kKinds{{{".html", "text/html; charset=utf-8"},
                                       {".js", "text/javascript; charset=utf-8"},
                                       {".css", "text/css; charset=utf-8"},
                                       {".svg", "image/svg+xml"},
                                       {".png", "image/png"},
                                       {".jpg", "image/jpeg"},
                                       {".ico", "image/x-icon"},
                                       {".woff2", "font/woff2"},
                                       {".json", "application/json"},
                                       {".pdf", "application/pdf"},
                                       {".stl", "model/stl"},
                                       {".dcm", "application/dicom"},
                                       {".txt", "text/plain; charset=utf-8"},
                                       {".wasm", "application/wasm"},
                                       {".map", "application/json"}}};

/// Folders of results, and what in them may be seen.
struct ExportFolder {
  std::string_view folder, ending;
  const char* what;
};
constexpr std::array<ExportFolder, 4> kExportFolders{{{"surfaces", ".stl", "server.bone_scanned"},
                                                      {"reduced", ".stl", "server.bone_where_belongs"},
                                                      {"devices", ".stl", "server.device_reduced_foot"},
                                                      {"pictures", ".png", "server.picture"}}};
struct Single {
  std::string_view name;
  const char* what;
};
constexpr std::array<Single, 3> kSingles{{{"report.pdf", "server.report"},
                                          {"plan.json", "server.plan_other_programs"},
                                          {"labels.nrrd", "server.label_map_grid_ct"}}};
constexpr std::array<std::string_view, 3> kFilmViews{"dorsoplantar-20", "oblique-30", "lateral"};
constexpr std::array<std::string_view, 3> kFilmStates{"injured", "reduced", "metal"};

bool plainName(const std::string& name) {
  return !name.empty() && name.front() != '.' && name.find('/') == std::string::npos &&
         name.find('\\') == std::string::npos;
}

bool isSingle(const std::string& name) {
  return std::any_of(kSingles.begin(), kSingles.end(), [&](const Single& s) { return s.name == name; });
}
bool isExported(const std::string& folder, const std::string& name) {
  return std::any_of(kExportFolders.begin(), kExportFolders.end(),
                     [&](const ExportFolder& s) { return s.folder == folder && name.ends_with(s.ending); });
}
bool isNumber(const std::string& text) {
  return !text.empty() && text.size() < 8 &&
         std::all_of(text.begin(), text.end(), [](char c) { return c >= '0' && c <= '9'; });
}

std::vector<std::string> sortedNames(const fs::path& folder) {
  std::vector<std::string> names;
  std::error_code problem;
  for (const auto& entry : fs::directory_iterator(folder, problem)) names.push_back(entry.path().filename().string());
  std::sort(names.begin(), names.end());
  return names;
}

/// `pattern`: what a thing of the plan is called among the others.
void addPlan(std::vector<Export>& out, const fs::path& folder, const std::string& as, const char* pattern) {
  const auto named = [&](const char* what) -> Message {
    return pattern == nullptr ? Message(what) : Message(pattern, {{"what", Message(what)}});
  };
  std::error_code problem;
  for (const Single& s : kSingles)
    if (fs::exists(folder / s.name, problem))
      out.push_back({std::string(s.name), named(s.what), {as, std::string(s.name)}, folder / s.name});
  for (const ExportFolder& of : kExportFolders)
    for (const std::string& name : sortedNames(folder / of.folder))
      if (name.ends_with(of.ending))
        out.push_back({name, named(of.what), {as, std::string(of.folder), name}, folder / of.folder / name});
}

}  // namespace

int highestNumber(const fs::path& folder) {
  int last = 0;
  for (const std::string& name : sortedNames(folder))
    if (const std::string stem = fs::path(name).stem().string(); isNumber(stem)) last = std::max(last, std::stoi(stem));
  return last;
}

std::string bytesOf(const fs::path& file, std::size_t most) {
  std::ifstream in(file, std::ios::binary);
  if (most == std::string::npos) return {std::istreambuf_iterator<char>(in), {}};
  std::string out(most, '\0');
  in.read(out.data(), static_cast<std::streamsize>(most));
  out.resize(static_cast<std::size_t>(in.gcount()));
  return out;
}

std::error_code linkOrCopy(const fs::path& from, const fs::path& to) {
  std::error_code problem;
  fs::create_hard_link(from, to, problem);
  if (problem) fs::copy_file(from, to, problem);
  return problem;
}

std::string typeOf(const std::string& name) {
  for (const Kind& k : kKinds)
    if (name.ends_with(k.ending)) return std::string(k.type);
  return "application/octet-stream";
}

Reply fileReply(const fs::path& file, const Request& request) {
  Reply reply;
  const std::string name = file.filename().string();
  reply.type = typeOf(name);
  fs::path sent = file;
  std::error_code problem;
  if (request.accept_encoding.find("gzip") != std::string::npos &&
      fs::is_regular_file(file.string() + ".gz", problem)) {
    sent = file.string() + ".gz";
    reply.headers.emplace_back("Content-Encoding", "gzip");
  }
  struct stat s {};
  if (::stat(sent.c_str(), &s) != 0) {
    reply.status = 404;
    return reply;
  }
  const std::string tag =
      fmt::format("\"{:x}-{:x}-{:x}{}\"", s.st_size, s.st_mtim.tv_sec, s.st_mtim.tv_nsec, sent == file ? "" : "-gz");
  reply.headers.emplace_back("ETag", tag);
  reply.headers.emplace_back("Cache-Control", "no-cache");
  reply.headers.emplace_back("Vary", "Accept-Encoding");
  if (reply.type == "model/stl" || reply.type == "application/dicom" || reply.type == "application/octet-stream")
    reply.headers.emplace_back("Content-Disposition", fmt::format("attachment; filename=\"{}\"", name));
  if (request.if_none_match == tag) {
    reply.status = 304;
    return reply;
  }
  reply.file = sent;
  return reply;
}

fs::path fileBelow(const fs::path& root, const std::vector<std::string>& segments) {
  fs::path file = root;
  for (const std::string& segment : segments) {
    if (!plainName(segment)) return {};
    file /= segment;
    std::error_code problem;
    if (fs::is_symlink(fs::symlink_status(file, problem))) return {};
  }
  std::error_code problem;
  return fs::is_regular_file(file, problem) ? file : fs::path();
}

std::vector<Export> exportsOf(const fs::path& folder, const CaseFacts& facts) {
  std::vector<Export> out;
  if (facts.plan) {
    if (facts.changed_by_hand) {
      const fs::path edited = folder / "view" / ("edited-" + facts.edition());
      std::error_code problem;
      if (fs::exists(edited, problem)) {
        addPlan(out, edited, "edited", "server.of_changed");
      } else {
        for (const Single& s : kSingles)
          out.push_back({std::string(s.name),
                         Message("server.changed_hand_made_when_opened", {{"what", Message(s.what)}}),
                         {"edited", std::string(s.name)},
                         {}});
      }
    }
    addPlan(out, folder / "plan", "plan", facts.changed_by_hand ? "server.of_planned" : nullptr);
    const fs::path films = folder / "view" / ("films-" + facts.edition());
    for (const std::string_view view : kFilmViews)
      for (const std::string_view state : kFilmStates) {
        const std::string name = fmt::format("{}_{}.dcm", view, state);
        std::error_code problem;
        out.push_back({name,
                       Message("server.simulated_film_dicom"),
                       {"films", name},
                       fs::exists(films / name, problem) ? films / name : fs::path()});
      }
  }
  for (const std::string& n : sortedNames(folder / "followup")) {
    if (!isNumber(n)) continue;
    const fs::path check = folder / "followup" / n;
    std::error_code problem;
    for (const char* name : {"verification.pdf", "verification.json"})
      if (fs::exists(check / name, problem))
        out.push_back({name, Message("server.check_after_operation", {{"n", n}}), {"followup", n, name}, check / name});
    for (const std::string& name : sortedNames(check / "pictures"))
      if (name.ends_with(".png"))
        out.push_back({name,
                       Message("server.picture_check", {{"n", n}}),
                       {"followup", n, "pictures", name},
                       check / "pictures" / name});
  }
  return out;
}

Result<fs::path> exportedFile(OpenCases& cases, const fs::path& folder, const std::string& id,
                              const std::vector<std::string>& path) {
  if (path.empty() || !std::all_of(path.begin(), path.end(), plainName)) return fs::path();
  const std::string& part = path.front();
  const std::vector<std::string> rest(path.begin() + 1, path.end());
  const bool result = (rest.size() == 1 && isSingle(rest[0])) || (rest.size() == 2 && isExported(rest[0], rest[1]));
  if (part == "plan" && result) return fileBelow(folder / "plan", rest);
  if (part == "pictures" && rest.size() == 1) return fileBelow(folder / "plan" / "pictures", rest);
  if (part == "edited" && result) {
    const auto edited = cases.editedPlan(id);
    if (!edited) return edited;
    return fileBelow(*edited, rest);
  }
  if (part == "films" && rest.size() == 1 && (rest[0].ends_with(".dcm") || rest[0].ends_with(".png"))) {
    const auto films = cases.films(id);
    if (!films) return films;
    return fileBelow(*films, rest);
  }
  if (part == "view" && rest.size() == 1 && rest[0] == "preview.png") return fileBelow(folder / "view", rest);
  if (part == "followup" && rest.size() >= 2 && isNumber(rest[0])) {
    const bool single = rest.size() == 2 && (rest[1] == "verification.pdf" || rest[1] == "verification.json");
    if (single || (rest.size() == 3 && isExported(rest[1], rest[2]))) return fileBelow(folder / "followup", rest);
  }
  return fs::path();
}

namespace {

std::string cell(const Json& value) {
  if (value.is_null()) return "";
  std::string text =
      value.is_string() ? value.get<std::string>() : value.dump(-1, ' ', false, Json::error_handler_t::replace);
  if (text.find_first_of(",\"\r\n") == std::string::npos) return text;
  std::string quoted = "\"";
  for (const char c : text) {
    if (c == '"') quoted += '"';
    quoted += c;
  }
  return quoted + "\"";
}

constexpr std::array<const char*, 14> kColumns{"state",    "key",      "name",      "value",      "unit",
                                               "limit",    "limit_on", "limit_is",  "other_side", "difference",
                                               "abnormal", "source",   "certainty", "note"};

void addRow(std::string& out, const Json& row) {
  for (std::size_t n = 0; n < kColumns.size(); ++n) {
    if (n > 0) out += ',';
    const auto it = row.find(kColumns[n]);
    if (it != row.end()) out += cell(*it);
  }
  out += "\r\n";
}

}  // namespace

std::string measuresCsv(const Json& state, const Words& words) {
  std::string out;
  for (std::size_t n = 0; n < kColumns.size(); ++n) out.append(n > 0 ? "," : "").append(kColumns[n]);
  out += "\r\n";
  const auto rows = [&out](const Json& list, const char* pose) {
    if (!list.is_array()) return;
    for (Json row : list) {
      row["state"] = pose;
      addRow(out, row);
    }
  };
  const Json plan = state.value("plan", Json(nullptr));
  if (plan.is_object()) {
    rows(plan.value("measures", Json(nullptr)), "injured");
    rows(plan.value("measures_reduced", Json(nullptr)), "reduced");
  }
  for (const Json& drawn : state.value("measures_drawn", Json::array())) {
    Json row{
        {"state", drawn.value("state", "")}, {"key", drawn.value("id", "")}, {"source", words("server.csv_by_hand")}};
    row["name"] = words("server.csv_drawn", {{"kind", nameOfKey(drawn.value("kind", ""))}});
    for (const char* key : {"value", "unit"})
      if (drawn.contains(key)) row[key] = drawn[key];
    row["note"] = drawn.value("view", "");
    addRow(out, row);
  }
  return out;
}

}  // namespace rayset::server
