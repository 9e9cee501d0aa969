// What the case is called, what is noted of it, whether the list shows it.
#include "workspace/edit_kind.h"

namespace rayset::edit_kinds {
namespace {

struct Text {
  std::string text;
};
struct Hide {
  bool hidden = false;
};

}  // namespace

std::vector<EditKind> cases() {
  return {editKind<Text>({.name = "case.name",
                          .meaning = "The name of the case",
                          .fields = {fields::textField("text", &Text::text, 1, 200)},
                          .apply =
                              [](const Text& p, EditState& state, const Case*) {
                                state.name = p.text;
                                return Status{};
                              },
                          .words = [](const Text& p, const auto&) { return "named \"" + p.text + "\""; }}),
          editKind<Text>({.name = "case.notes",
                          .meaning = "The notes, whole",
                          .fields = {fields::textField("text", &Text::text, 0, 20000)},
                          .apply =
                              [](const Text& p, EditState& state, const Case*) {
                                state.notes = p.text;
                                return Status{};
                              },
                          .words = [](const Text&, const auto&) { return std::string("notes"); }}),
          editKind<Hide>(
              {.name = "case.hide",
               .meaning = "Off the list, or on it again; nothing is deleted",
               .fields = {fields::truthField("hidden", &Hide::hidden)},
               .apply =
                   [](const Hide& p, EditState& state, const Case*) {
                     state.hidden = p.hidden;
                     return Status{};
                   },
               .words = [](const Hide& p, const auto&) { return std::string(p.hidden ? "hidden" : "shown again"); }})};
}

}  // namespace rayset::edit_kinds
