#include "dicom/film_words.h"

#include <algorithm>
#include <initializer_list>
#include <string_view>
#include <vector>

#include "dicom/text.h"

namespace rayset::dicom {
namespace {

/// Lower-case words, and all of them run together (so that hyphens and blanks do not matter).
struct Words {
  std::vector<std::string> list;
  std::string run;

  explicit Words(const std::string& text) {
    std::string word;
    for (const char c : lower(text) + " ") {
      const bool part = (c >= 'a' && c <= 'z') || (c >= '0' && c <= '9') || static_cast<unsigned char>(c) >= 0x80;
      if (part) {
        word += c;
      } else if (!word.empty()) {
        run += word;
        list.push_back(std::move(word));
        word.clear();
      }
    }
  }
  [[nodiscard]] bool word(std::initializer_list<std::string_view> any) const {
    return std::any_of(any.begin(), any.end(),
                       [&](std::string_view w) { return std::find(list.begin(), list.end(), w) != list.end(); });
  }
  [[nodiscard]] bool part(std::initializer_list<std::string_view> any) const {
    return std::any_of(any.begin(), any.end(), [&](std::string_view w) { return run.find(w) != std::string::npos; });
  }
};

}  // namespace

std::optional<FilmView> viewIn(const std::string& text) {
  const Words w(text);
  const bool oblique = w.part({"oblique", "schräg", "schraeg", "schrag", "oblicua", "obliqua"}) ||
                       w.word({"obl", "rlo", "llo", "mo", "lo", "mlo", "lmo"});
  const bool dorsoplantar =
      w.part({"dorsoplantar", "dorsoplantaire", "dorsipiede", "plantodorsal", "anteroposterior", "posteroanterior"}) ||
      w.word({"dp", "dpl", "pd", "ap", "pa"});
  // "lateral oblique" and "medio-lateral oblique" are obliques; "oblique, lateral" of a whole study names both.
  const bool phrase = w.part({"lateraloblique", "mediallateraloblique", "obliquelateral"});
  const bool lateral = !phrase && (w.word({"lateral", "lat", "ll", "rl", "lld", "rld", "ml", "lm", "seitlich", "seitl",
                                           "profil", "laterale", "perfil"}) ||
                                   w.part({"mediolateral", "lateromedial", "mediallateral", "lateralmedial"}));
  const int named = int{oblique} + int{dorsoplantar} + int{lateral};
  if (named != 1) return std::nullopt;
  return oblique ? FilmView::kOblique : dorsoplantar ? FilmView::kDorsoplantar : FilmView::kLateral;
}

bool lateromedialIn(const std::string& text) {
  const Words w(text);
  return w.word({"lm"}) || w.part({"lateromedial", "lateralmedial"});
}

std::optional<bool> weightBearingIn(const std::string& text) {
  const Words w(text);
  if (w.part({"nonweight", "notweight", "withoutweight", "unbelastet", "ohnebelastung", "nichtbelastet", "endécharge",
              "endecharge", "sindecarga", "sincarga", "senzacarico"}) ||
      w.word({"nwb", "supine", "liegend"}))
    return false;
  if (w.part({"weightbearing", "belastet", "unterbelastung", "imstehen", "encharge", "concarga", "encarga",
              "sottocarico"}) ||
      w.word({"wb", "standing", "erect", "stehend"}))
    return true;
  return std::nullopt;
}

}  // namespace rayset::dicom
