// The case's name, its notes, whether the list shows it.
#include "workspace/edit_kind.h"

namespace rayset::edit_kinds {
namespace {

struct Text {
  std::string text;
};
struct Hide {
  bool hidden = false;
};

EditKind textEdit(const char* name, const char* meaning, std::size_t least, std::size_t most,
                  std::string EditState::*member, std::function<Message(const Text&)> words) {
  return editKind<Text>({.name = name,
                         .meaning = meaning,
                         .fields = {codec::field("text", codec::textOf(least, most), &Text::text)},
                         .apply =
                             [member](const Text& p, EditState& state, const Case*) {
                               state.*member = p.text;
                               return Status{};
                             },
                         .words = [words = std::move(words)](const Text& p, const auto&) { return words(p); }});
}

}  // namespace

std::vector<EditKind> cases() {
  return {
      textEdit("case.name", "The name of the case", 1, 200, &EditState::name,
               [](const Text& p) {
                 return Message("edit.named", {{"text", p.text}});
               }),
      textEdit("case.notes", "The notes, whole", 0, 20000, &EditState::notes,
               [](const Text&) { return Message("edit.notes"); }),
      editKind<Hide>({.name = "case.hide",
                      .meaning = "Off the list, or on it again; nothing is deleted",
                      .fields = {codec::field("hidden", codec::truth(), &Hide::hidden)},
                      .apply =
                          [](const Hide& p, EditState& state, const Case*) {
                            state.hidden = p.hidden;
                            return Status{};
                          },
                      .words = [](const Hide& p,
                                  const auto&) { return Message(p.hidden ? "edit.hidden" : "edit.shown_again"); }})};
}

}  // namespace rayset::edit_kinds
