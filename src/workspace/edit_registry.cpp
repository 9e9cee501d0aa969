#include "workspace/edit_registry.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <fstream>
#include <string_view>

#include "base/words.h"
#include "case/plan_codec.h"

namespace rayset {

std::vector<std::vector<EditKind>> editKindsByFile();  // made by the build: one entry a file of edit_kinds/

namespace {

constexpr std::size_t kMostBytes = 1 << 20;  // of one payload

void applyEdit(EditState& state, const Case* planned, const CaseEdit& edit) {
  const auto leftOut = [&](const std::string& why) {
    state.cautions.push_back(
        fmt::format("The edit {} ({}) no longer fits this plan and is left out: {}.", edit.seq, edit.kind, why));
  };
  const EditKind* kind = findEditKind(edit.kind);
  if (kind == nullptr) return leftOut("this version does not know it");
  if (planned == nullptr && kind->needs_plan && kind->scope == EditScope::kImages) return;
  if (const Status s = kind->apply(edit.payload, state, planned); !s) return leftOut(s.error().what);
}

}  // namespace

tl::unexpected<Error> refused(std::string what, std::string where, std::string remedy) {
  return fail(Fault::kRequest, std::move(what), std::move(where), std::move(remedy));
}

Status deviceExists(const EditState& state, const std::string& id, const std::string& kind) {
  if (state.device(id) != nullptr) return {};
  std::vector<std::string> ids;
  for (const EditedDevice& d : state.devices) ids.push_back(d.device.id);
  return refused(fmt::format("there is no device {}", id), kind,
                 ids.empty() ? "The plan has no devices." : "There are " + listed(ids) + ".");
}

EditFields<StoredDevice> storedDeviceFields() {
  using S = StoredDevice;
  return {codec::field("device", deviceCodec(), &S::device), codec::optionalField("pose", codec::transform(), &S::pose),
          codec::field("stand", codec::text(), &S::check_basis).when(codec::Presence::kNow)};
}

const std::vector<EditKind>& editKinds() {
  static const std::vector<EditKind> kinds = [] {
    std::vector<EditKind> all;
    for (std::vector<EditKind>& of_file : editKindsByFile())
      for (EditKind& k : of_file) all.push_back(std::move(k));
    return all;
  }();
  return kinds;
}

const EditKind* findEditKind(const std::string& name) {
  const auto it =
      std::find_if(editKinds().begin(), editKinds().end(), [&](const EditKind& k) { return k.name == name; });
  return it == editKinds().end() ? nullptr : &*it;
}

Status checkEdit(const EditContext& context, const std::string& kind, const EditJson& payload) {
  if (payload.dump(-1, ' ', false, EditJson::error_handler_t::replace).size() > kMostBytes)
    return refused("the edit is longer than a megabyte", kind, "Split it.");
  const EditKind* known = findEditKind(kind);
  if (known == nullptr)
    return refused(fmt::format("an unknown kind of edit \"{}\"", kind.substr(0, 60)), "kind", "See docs/edits.md.");
  if (known->needs_plan && context.planned == nullptr)
    return refused("this case is not planned yet", "plan", "Give images and plan them first.");
  return known->check(payload, context);
}

bool isEdit(const std::string& kind) {
  constexpr std::array<std::string_view, 5> kNoEdits{"import", "plan", "verify", "undo", "redo"};
  return std::ranges::find(kNoEdits, kind) == kNoEdits.end();
}

bool lapsesWithImages(const std::string& kind) {
  const EditKind* known = findEditKind(kind);
  return known != nullptr && known->scope == EditScope::kImages;
}

bool changesPlan(const std::string& kind) {
  const EditKind* known = findEditKind(kind);
  return known != nullptr && known->changes_plan;
}

Result<std::vector<HistoryEntry>> readHistory(const std::filesystem::path& file) {
  std::ifstream in(file, std::ios::binary);
  if (!in)
    return refused("the history cannot be read", file.string(), "Give the case.json that the workstation exported.");
  const EditJson j = EditJson::parse(in, nullptr, false);
  if (!j.is_object() || j.value("schema", "") != "rayset.case/1" || !j.contains("history") || !j["history"].is_array())
    return refused("this is no rayset.case/1", file.string(), "Give the case.json that the workstation exported.");
  std::vector<HistoryEntry> rows;
  for (const EditJson& row : j["history"]) {
    const std::string where = fmt::format("{}, history/{}", file.string(), rows.size());
    if (!row.is_object() || !row.contains("seq") || !row["seq"].is_number_integer() || !row.contains("kind") ||
        !row["kind"].is_string() || !row.contains("payload") || !row.contains("active") || !row["active"].is_boolean())
      return refused("a row of the history has no seq, kind, payload or active", where, "Export the case again.");
    rows.push_back(
        {row["seq"].get<std::int64_t>(), row["kind"].get<std::string>(), row["payload"], row["active"].get<bool>()});
  }
  return rows;
}

EditState replayEdits(const std::vector<CaseEdit>& edits) {
  EditState state;
  for (const CaseEdit& edit : edits) applyEdit(state, nullptr, edit);
  return state;
}

EditState replayEdits(const std::vector<CaseEdit>& edits, const Case& planned, const std::string& plan_key) {
  EditState state = plannedState(planned, plan_key);
  for (const CaseEdit& edit : edits) applyEdit(state, &planned, edit);
  return state;
}

std::string editWords(const std::string& kind, const EditJson& payload, const std::vector<StepTitle>& steps) {
  const EditKind* known = findEditKind(kind);
  return known == nullptr ? kind : known->words(payload, steps);
}

std::string editKindsMarkdown() {
  std::string out = "| kind | payload | meaning |\n|---|---|---|\n";
  for (const EditKind& k : editKinds()) {
    std::vector<std::string> forms;
    for (const auto& [key, form] : k.forms) forms.push_back(fmt::format("`{}`: {}", key, form));
    out += fmt::format("| `{}` | `{}` | {}. {}.{}{} |\n", k.name, k.payload, k.meaning, fmt::join(forms, "; "),
                       k.needs_plan       ? " Needs a plan."
                       : k.needs_new_plan ? " Takes effect at the next plan."
                                          : "",
                       k.scope == EditScope::kImages ? " Lapses when other images are imported." : "");
  }
  return out;
}

}  // namespace rayset
