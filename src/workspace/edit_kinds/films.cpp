// Films removed from the case.
#include <algorithm>

#include "workspace/edit_kind.h"

namespace rayset::edit_kinds {
namespace {

struct Film {
  std::string id;
};

}  // namespace

std::vector<EditKind> films() {
  return {editKind<Film>({.name = "film.remove",
                          .meaning = "A film given by mistake is taken off the case; its file stays",
                          .fields = {codec::field("id", codec::textOf(1, 120), &Film::id)},
                          .check = [](const Film& p, const EditContext& context) -> Status {
                            if (std::find(context.films.begin(), context.films.end(), p.id) == context.films.end())
                              return refused("edit.no_such_film_case", "film.remove, id",
                                             Message("edit.look_films_case"));
                            return {};
                          },
                          .apply =
                              [](const Film& p, EditState& state, const Case*) {
                                state.films_removed.insert(p.id);
                                return Status{};
                              },
                          .words = [](const Film&, const auto&) { return Message("edit.film_taken_off_case"); }})};
}

}  // namespace rayset::edit_kinds
