// The day of the operation, and appointments kept.
#include "workspace/edit_kind.h"

namespace rayset::edit_kinds {
namespace {

struct Visit {
  std::string id;
  std::optional<std::string> date;
};
struct Surgery {
  std::optional<std::string> date;
};

}  // namespace

std::vector<EditKind> followup() {
  return {editKind<Visit>({.name = "followup.done",
                           .meaning = "An appointment kept on that day; null: not kept after all",
                           .needs_plan = true,
                           .fields = {codec::field("id", codec::id(), &Visit::id),
                                      codec::field("date", codec::nullable(codec::date()), &Visit::date)},
                           .apply =
                               [](const Visit& p, EditState& state, const Case*) {
                                 if (p.date)
                                   state.visits[p.id] = *p.date;
                                 else
                                   state.visits.erase(p.id);
                                 return Status{};
                               },
                           .words =
                               [](const Visit& p, const auto&) {
                                 return Message("edit.appointment_kept", {{"id", p.id}});
                               }}),
          editKind<Surgery>({.name = "surgery.date",
                             .meaning = "When the follow-up plan begins",
                             .fields = {codec::field("date", codec::nullable(codec::date()), &Surgery::date)},
                             .apply =
                                 [](const Surgery& p, EditState& state, const Case*) {
                                   state.surgery_date = p.date.value_or("");
                                   return Status{};
                                 },
                             .words =
                                 [](const Surgery& p, const auto&) {
                                   return p.date ? Message("edit.operation", {{"date", *p.date}})
                                                 : Message("edit.date_operation_removed");
                                 }})};
}

}  // namespace rayset::edit_kinds
