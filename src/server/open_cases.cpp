#include "server/open_cases.h"

#include <fmt/format.h>

#include <algorithm>
#include <functional>

#include "base/hash.h"
#include "case/case.h"
#include "case/followup.h"
#include "language/spoken.h"
#include "runs/runs.h"
#include "server/case_codec.h"
#include "workspace/case_state.h"
#include "workspace/edit_registry.h"

namespace rayset::server {
namespace fs = std::filesystem;

namespace {

constexpr std::size_t kMostOpen = 3;  // planned cases kept in memory, each a few hundred megabytes

std::string textOf(const Json& j, const char* key) {
  const auto it = j.is_object() ? j.find(key) : j.end();
  return it != j.end() && it->is_string() ? it->get<std::string>() : std::string();
}
Json valueOf(const Json& j, const char* key) {
  const auto it = j.is_object() ? j.find(key) : j.end();
  return it != j.end() ? *it : Json(nullptr);
}
bool startsWith(const std::string& text, std::string_view start) { return text.rfind(start, 0) == 0; }

tl::unexpected<Error> notPlanned() {
  return fail(Fault::kRequest, "server.case_not_planned_yet", "plan", Message("server.give_images_plan_them_first"));
}

}  // namespace

bool CaseFacts::stale() const {
  if (!plan) return false;
  if (boneEditsWait(valueOf(plan->payload, "edits"), said.bone_edits)) return true;
  return other && other->seq > plan->seq;
}

std::string CaseFacts::edition() const {
  std::string rows = fmt::format("{}", plan ? plan->seq : 0);
  for (const CaseEdit& e : edits)
    if (changesPlan(e.kind)) rows += fmt::format("-{}", e.seq);
  return fmt::format("{:016x}", fnv1a(rows));
}

std::vector<std::string> CaseFacts::filmIds() const {
  std::vector<std::string> ids;
  for (const Json& film : films) ids.push_back(textOf(film, "id"));
  return ids;
}

CaseFacts factsOf(const CaseRow& row, const std::vector<HistoryRow>& history) {
  CaseFacts facts;
  Json films = Json::array();
  for (const HistoryRow& h : history) {
    if (!h.active) continue;
    const std::string part = textOf(h.payload, "part");
    if (h.kind == "import" && part == "images") facts.images = h;
    if (h.kind == "import" && part == "other") facts.other = h;
    if (h.kind == "import" && part == "films")
      for (const Json& film : valueOf(h.payload, "films")) films.push_back(film);
  }
  const std::int64_t first = facts.images ? facts.images->seq : 0;
  for (const HistoryRow& h : history) {
    if (!h.active || h.seq < first) continue;
    if (h.kind == "plan") facts.plan = h;
    if (h.kind == "verify") facts.checks.push_back(h);
  }
  facts.edits = editsInForce(history);
  facts.said = replayEdits(facts.edits);
  facts.name = facts.said.name.empty() ? row.first_name : facts.said.name;
  for (const Json& film : films)
    if (!facts.said.films_removed.contains(textOf(film, "id"))) facts.films.push_back(film);
  facts.changed_by_hand =
      std::any_of(facts.edits.begin(), facts.edits.end(), [](const CaseEdit& e) { return changesPlan(e.kind); });
  return facts;
}

Message wordsOf(const HistoryRow& row, const std::vector<StepTitle>& steps) {
  if (row.kind == "import") {
    const std::string part = textOf(row.payload, "part");
    return part == "other" ? "server.images_other_foot" : part == "films" ? "server.films" : "server.images";
  }
  if (row.kind == "plan") return "server.planned";
  if (row.kind == "verify") return textOf(row.payload, "kind") == "ct" ? "server.checked_ct" : "server.checked_films";
  if (row.kind == "undo") return "server.taken_back";
  if (row.kind == "redo") return "server.put_back";
  return editWords(row.kind, row.payload, steps);
}

fs::path uploadFolder(const fs::path& case_folder, const std::string& part) { return case_folder / ".upload" / part; }

Json uploadsOf(const fs::path& case_folder) {
  Uploads out;
  for (const char* part : kParts) {
    std::vector<Upload>& files = out[part];
    std::error_code problem;
    for (const auto& entry : fs::directory_iterator(uploadFolder(case_folder, part), problem)) {
      const std::string name = entry.path().filename().string();
      if (name.front() != '.') files.push_back({name, entry.file_size(problem)});
    }
    std::sort(files.begin(), files.end(), [](const Upload& x, const Upload& y) { return x.name < y.name; });
  }
  return uploadsCodec().write(out);
}

/// A case in memory. `gate` is held shared by readers and exclusively by writers.
struct OpenCases::Open {
  explicit Open(std::string i) : id(std::move(i)) {}
  const std::string id;
  std::shared_mutex gate;
  std::int64_t plan = 0, seq = -1;  ///< the row of the plan that is open; the newest row applied
  bool volumes = false;             ///< labels and grey values are read
  std::unique_ptr<OpenCase> open;
  std::unique_ptr<FilmStudio> studio;
  std::unique_ptr<Slicer> slicer;

  void close() {
    slicer.reset();
    studio.reset();
    open.reset();
    volumes = false;
    plan = 0;
    seq = -1;
  }
};

OpenCases::OpenCases(Library& library, const Jobs& jobs, const Resources& resources)
    : library_(library), jobs_(jobs), resources_(resources), words_(resources.words.in("page")) {}
OpenCases::~OpenCases() = default;

std::shared_ptr<OpenCases::Open> OpenCases::openOf(const std::string& id) {
  const std::lock_guard lock(mutex_);
  const auto known = std::find_if(open_.begin(), open_.end(), [&id](const auto& o) { return o->id == id; });
  if (known != open_.end()) {
    open_.splice(open_.begin(), open_, known);
  } else {
    open_.push_front(std::make_shared<Open>(id));
    // A case in use lives on with its user; others must then still find the same gate.
    for (auto it = std::prev(open_.end()); open_.size() > kMostOpen && it != open_.begin();) {
      const auto before = std::prev(it);
      if (it->use_count() == 1) open_.erase(it);
      it = before;
    }
  }
  return open_.front();
}

Result<CaseFacts> OpenCases::facts(const std::string& id) const {
  const auto row = library_.find(id);
  if (!row) return tl::unexpected(row.error());
  const auto history = library_.history(id);
  if (!history) return tl::unexpected(history.error());
  return factsOf(*row, *history);
}

/// With the gate held exclusively: the open case as the history has it.
Status OpenCases::refresh(const std::string& id, Open& open, const CaseFacts& facts, std::int64_t seq) {
  if (!facts.plan) {
    open.close();
    return {};
  }
  if (open.plan != facts.plan->seq) {
    open.close();
    const fs::path folder = library_.folder(id);
    auto made = OpenCase::open(folder / "plan", folder / "images", resources_);
    if (!made) return tl::unexpected(made.error());
    open.open = std::move(*made);
    open.plan = facts.plan->seq;
  }
  if (open.seq == seq) return {};
  open.seq = -1;
  if (Status s = open.open->replay(facts.edits); !s) return s;
  open.seq = seq;
  return {};
}

Result<Json> OpenCases::stateLocked(const std::string& id, Open& open) {
  const auto row = library_.find(id);
  if (!row) return tl::unexpected(row.error());
  const auto history = library_.history(id);
  if (!history) return tl::unexpected(history.error());
  const auto turns = library_.turns(id);
  if (!turns) return tl::unexpected(turns.error());
  const CaseFacts facts = factsOf(*row, *history);
  const Status opened = refresh(id, open, facts, row->seq);
  const std::vector<StepTitle> steps = open.open ? stepTitles(open.open->state().theatre) : std::vector<StepTitle>{};

  const std::string& date = facts.said.surgery_date;
  CaseState state;
  state.id = id;
  state.name = facts.name;
  state.notes = facts.said.notes;
  state.created = row->created;
  state.updated = row->updated;
  state.seq = static_cast<std::size_t>(row->seq);
  state.hidden = facts.said.hidden;
  state.status = facts.plan && opened ? "planned" : facts.images ? "imported" : "empty";
  state.stale = facts.stale();
  if (turns->undo) state.can_undo = wordsOf(*turns->undo, steps);
  if (turns->redo) state.can_redo = wordsOf(*turns->redo, steps);
  for (const HistoryRow& h : *history) {
    Message words = wordsOf(h, steps);
    if (h.target != 0) {
      const auto meant =
          std::find_if(history->begin(), history->end(), [&h](const auto& r) { return r.seq == h.target; });
      if (meant != history->end()) words = {"join.because", {{"what", words}, {"why", wordsOf(*meant, steps)}}};
    }
    state.history.push_back({static_cast<std::size_t>(h.seq), h.at, h.kind, words, h.active});
  }
  state.job = jobs_.of(id);
  state.uploads = uploadsOf(library_.folder(id));
  if (facts.images) {
    state.images = valueOf(facts.images->payload, "facts");
    state.images["other_foot"] = facts.other ? Json("apart") : Json(nullptr);
  }
  state.films = facts.films;
  state.edits = facts.said.bone_edits;
  if (!date.empty()) state.surgery_date = date;
  if (!opened) state.problem = opened.error();
  if (open.open) {
    const Case& edited = open.open->edited();
    state.implants = edited.catalogue.types;
    state.planned = &open.open->state();
    state.measures_drawn = open.open->edits().measures;
    state.cautions = open.open->edits().cautions;
    if (state.images.is_object() && !facts.other)
      state.images["other_foot"] = edited.other_foot.empty() ? Json(nullptr) : Json(edited.other_foot);
    for (const Appointment& a : followupPlan(edited.fixation.devices, resources_.followup)) {
      const auto kept = facts.said.visits.find(a.id);
      state.appointments.push_back({a, kept == facts.said.visits.end() ? std::nullopt : std::optional(kept->second),
                                    weeksAfter(date, a.week_from), weeksAfter(date, a.week_to)});
    }
    for (const HistoryRow& check : facts.checks) state.checks.push_back(valueOf(check.payload, "check"));
  }
  return caseStateCodec().write(state);
}

namespace {

/// What the list shows of a case.
Json summaryOf(const Json& state) {
  Json summary{{"status", state["status"]}, {"stale", state["stale"]}};
  if (state["images"].is_object())
    for (const char* key : {"patient", "patient_id", "study_date"}) summary[key] = valueOf(state["images"], key);
  if (state["plan"].is_object()) {
    summary["side"] = valueOf(state["plan"], "side");
    summary["pattern"] = valueOf(valueOf(state["plan"], "patterns"), "myerson");
  }
  if (!state["followup"]["checks"].empty()) summary["checked"] = valueOf(state["followup"]["checks"].back(), "verdict");
  summary["surgery_date"] = state["followup"]["surgery_date"];
  summary["notes"] = state["notes"];
  return summary;
}

}  // namespace

Result<Json> OpenCases::state(const std::string& id) {
  if (const auto known = library_.find(id); !known) return tl::unexpected(known.error());
  const auto open = openOf(id);
  const std::unique_lock lock(open->gate);
  auto state = stateLocked(id, *open);
  if (!state) return state;
  *state = inWords(*std::move(state), words_);  // whoever asks for it reads it
  const std::string name = state->at("name").get<std::string>(), notes = state->at("notes").get<std::string>();
  if (const Status s = library_.setSummary(id, name, notes, state->at("hidden").get<bool>(), summaryOf(*state)); !s)
    return tl::unexpected(s.error());
  return state;
}

Result<Json> OpenCases::create(const std::string& name) {
  const auto made = library_.create(name);
  if (!made) return tl::unexpected(made.error());
  return state(made->id);
}

/// Checked against the open case if it is planned, else against the history alone.
Result<Json> OpenCases::completed(const Open& open, const CaseFacts& facts, const std::string& kind,
                                  const Json& payload) {
  if (open.open) return open.open->complete(kind, payload, facts.filmIds());
  if (const Status s = checkEdit({facts.said, nullptr, facts.filmIds(), {}}, kind, payload); !s)
    return tl::unexpected(s.error());
  const EditKind* known = findEditKind(kind);
  if (known->scope == EditScope::kImages && !facts.images)
    return fail(Fault::kRequest, "server.no_images_yet", kind, Message("server.give_images_first"));
  return known->complete(payload, nullptr);
}

/// The reply to an edit.
Result<Json> OpenCases::answered(const std::string& id, std::int64_t seq) {
  auto after = state(id);
  if (!after) return after;
  return Json{{"seq", seq}, {"state", std::move(*after)}};
}

Result<Json> OpenCases::edit(const std::string& id, const std::string& kind, const Json& payload,
                             const std::string& token) {
  const auto row = library_.find(id);
  if (!row) return tl::unexpected(row.error());
  const auto open = openOf(id);
  std::int64_t seq = 0;
  {
    const std::unique_lock lock(open->gate);
    // If already stored, it is not checked again: later edits may have changed what it is checked against.
    const auto before = library_.known(id, token);
    if (!before) return tl::unexpected(before.error());
    if (*before) {
      seq = (*before)->seq;
    } else {
      const auto known = facts(id);
      if (!known) return tl::unexpected(known.error());
      const auto now = library_.find(id);
      if (const Status s = refresh(id, *open, *known, now->seq); !s && lapsesWithImages(kind))
        return tl::unexpected(s.error());
      const auto complete = completed(*open, *known, kind, payload);
      if (!complete) return tl::unexpected(complete.error());
      const auto added = library_.append(id, kind, *complete, true, token);
      if (!added) return tl::unexpected(added.error());
      seq = added->seq;
    }
  }
  return answered(id, seq);
}

Result<Json> OpenCases::tryEdit(const std::string& id, const std::string& kind, const Json& payload) {
  const auto open = openOf(id);
  const std::unique_lock lock(open->gate);
  const auto known = facts(id);
  if (!known) return tl::unexpected(known.error());
  const auto now = library_.find(id);
  if (const Status s = refresh(id, *open, *known, now->seq); !s) return tl::unexpected(s.error());
  if (!open->open) return notPlanned();
  const auto trial = open->open->tryEdit(kind, payload);
  if (!trial) return tl::unexpected(trial.error());
  return trialCodec().write(*trial);
}

Result<Json> OpenCases::turned(const std::string& id, bool back, const std::string& token) {
  const auto row = back ? library_.undo(id, token) : library_.redo(id, token);
  if (!row) return tl::unexpected(row.error());
  if (!*row)
    return fail(Fault::kRequest, back ? Message("server.nothing_undo") : Message("server.nothing_redo"),
                back ? "undo" : "redo", "");
  return answered(id, (*row)->seq);
}
Result<Json> OpenCases::undo(const std::string& id, const std::string& token) { return turned(id, true, token); }
Result<Json> OpenCases::redo(const std::string& id, const std::string& token) { return turned(id, false, token); }

Result<OpenCases::View> OpenCases::view(const std::string& id, Needs needs) {
  if (const auto known = library_.find(id); !known) return tl::unexpected(known.error());
  const auto open = openOf(id);
  const auto ready = [&](std::int64_t plan, std::int64_t seq) {
    return open->open && open->plan == plan && open->seq == seq && (needs != Needs::kSlicer || open->slicer) &&
           (needs != Needs::kStudio || open->studio) && (needs == Needs::kCase || open->volumes);
  };
  for (;;) {
    const auto row = library_.find(id);
    const auto known = facts(id);
    if (!row || !known) return tl::unexpected(row ? known.error() : row.error());
    if (!known->plan) return notPlanned();
    {
      std::shared_lock lock(open->gate);
      if (ready(known->plan->seq, row->seq))
        return View{open,       std::move(lock), &open->open->edited(), open->slicer.get(), open->studio.get(),
                    open->plan, open->seq};
    }
    const std::unique_lock lock(open->gate);
    const auto now = library_.find(id);
    const auto fresh = facts(id);
    if (!now || !fresh) return tl::unexpected(now ? fresh.error() : now.error());
    if (const Status s = refresh(id, *open, *fresh, now->seq); !s) return tl::unexpected(s.error());
    if (!open->open) return notPlanned();
    if (needs != Needs::kCase && !open->volumes) {
      if (const Status s = open->open->loadVolumes(); !s) return tl::unexpected(s.error());
      open->volumes = true;
    }
    if (needs == Needs::kStudio && !open->studio)
      open->studio = std::make_unique<FilmStudio>(open->open->edited().bodies);
    if (needs == Needs::kSlicer && !open->slicer) {
      const auto ct = open->open->ct();
      if (!ct) return tl::unexpected(ct.error());
      open->slicer = std::make_unique<Slicer>(open->open->edited(), **ct);
    }
  }
}

namespace {

/// Makes `view/KIND-EDITION` beside its place, and drops those of other editions.
Result<fs::path> madeOnce(const fs::path& folder, const std::string& kind, const std::string& edition,
                          const std::function<Status(const fs::path&)>& make) {
  const fs::path target = folder / "view" / fmt::format("{}-{}", kind, edition);
  std::error_code problem;
  if (fs::exists(target, problem)) return target;
  const fs::path made = folder / "view" / fmt::format(".{}", kind);
  fs::remove_all(made, problem);
  fs::create_directories(made, problem);
  if (problem)
    return fail(Fault::kInternal, Message("server.folder_cannot_made", {{"message", problem.message()}}), made.string(),
                Message("server.check_free_space_permissions"));
  if (const Status s = make(made); !s) {
    fs::remove_all(made, problem);
    return tl::unexpected(s.error());
  }
  for (const auto& entry : fs::directory_iterator(folder / "view", problem))
    if (startsWith(entry.path().filename().string(), kind + "-")) fs::remove_all(entry.path(), problem);
  fs::rename(made, target, problem);
  if (problem)
    return fail(Fault::kInternal, Message("server.results_could_not_put_place", {{"message", problem.message()}}),
                made.string(), "");
  return target;
}

}  // namespace

Result<fs::path> OpenCases::editedPlan(const std::string& id) {
  const std::lock_guard one(exporting_);
  return editedPlanLocked(id);
}

Result<fs::path> OpenCases::editedPlanLocked(const std::string& id) {
  const auto known = facts(id);
  if (!known) return tl::unexpected(known.error());
  if (!known->plan) return notPlanned();
  const fs::path folder = library_.folder(id);
  if (!known->changed_by_hand) return folder / "plan";
  return madeOnce(folder, "edited", known->edition(), [&](const fs::path& made) -> Status {
    Case copy;
    {
      // Copied, so that a slow report blocks nobody.
      const auto look = view(id, Needs::kVolumes);
      if (!look) return tl::unexpected(look.error());
      copy = *look->edited;
    }
    return writePlan(resources_.words, copy, made);
  });
}

Result<fs::path> OpenCases::films(const std::string& id) {
  const std::lock_guard one(exporting_);
  const auto plan = editedPlanLocked(id);
  if (!plan) return plan;
  const auto known = facts(id);
  if (!known) return tl::unexpected(known.error());
  return madeOnce(library_.folder(id), "films", known->edition(), [&plan, this](const fs::path& made) -> Status {
    ViewsRequest request;
    request.plan = *plan;
    const auto written = viewsInto(request, resources_, made);
    if (!written) return tl::unexpected(written.error());
    return {};
  });
}

Status OpenCases::exclusively(const std::string& id, const std::function<Status()>& change) {
  const auto open = openOf(id);
  const std::unique_lock lock(open->gate);
  open->close();
  return change();
}

}  // namespace rayset::server
