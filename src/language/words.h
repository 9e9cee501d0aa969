// Messages as sentences. The words of a language are one file, data/words/<language>.json:
//
//   { "locale": "en-GB", "decimal": ".", "unit": { "mm": "{n} mm" }, "dicom": { "gap": "A gap of {gap} ..." }, ... }
//
// A code is "section.key". Patterns are ICU MessageFormat (plural, select), which the page reads with the same rules:
// https://unicode-org.github.io/icu/userguide/format_parse/messages/. Quantities come to a pattern as text, with their
// unit; counts as numbers.
#pragma once

#include <filesystem>
#include <memory>
#include <string>
#include <string_view>
#include <vector>

#include "base/message.h"
#include "base/result.h"

namespace rayset {

inline constexpr const char* kFirstLanguage = "en";  ///< which has every code; others fall back on it

class Words {
 public:
  /// No words at all: messages appear as codes with their arguments, so that nothing is hidden.
  Words();

  /// The message in words. A code without words appears as it is, with its arguments.
  [[nodiscard]] std::string text(const Message& message) const;
  [[nodiscard]] std::string operator()(const Message& message) const { return text(message); }
  [[nodiscard]] std::string operator()(const char* code, std::vector<Argument> args = {}) const;
  [[nodiscard]] std::vector<std::string> texts(const std::vector<Message>& messages) const;
  /// With a capital letter in front and a full stop behind: stages give clauses, people read sentences.
  [[nodiscard]] std::string sentence(const Message& message) const;
  /// "what [where]. remedy", on one line.
  [[nodiscard]] std::string line(const Error& error) const;

  [[nodiscard]] std::string text(const Quantity& quantity) const;
  [[nodiscard]] std::string list(const std::vector<std::string>& items, List::Kind kind = List::Kind::kAll) const;
  /// The same words for one place: "x.page", where there is one, before "x". Options of the command line are called
  /// otherwise in the page.
  [[nodiscard]] Words in(const std::string& place) const;
  [[nodiscard]] bool knows(std::string_view code) const;
  [[nodiscard]] const std::string& language() const;  ///< "en"; "" without words
  [[nodiscard]] std::vector<std::string> codes() const;

  /// For the page: {"language": "en", "locale": "en-GB", "decimal": ".", "words": {"dicom.gap": "A gap of {gap}..."}}.
  [[nodiscard]] std::string json() const;

  struct Impl;
  explicit Words(std::shared_ptr<const Impl> impl);

 private:
  std::shared_ptr<const Impl> impl_;
};

/// Where words are: `own`, which came with the program, and `added` (may be empty), in which the user keeps others. A
/// language of `added` goes before that of `own`; kFirstLanguage is always the program's own.
struct WordFolders {
  std::filesystem::path own;
  std::filesystem::path added = {};
};
/// The words of `language`; what it lacks comes from kFirstLanguage. kRequest: no such file, or one that cannot be
/// used.
[[nodiscard]] Result<Words> readWords(const WordFolders& folders, const std::string& language = kFirstLanguage);
/// The languages there are words for, kFirstLanguage first.
[[nodiscard]] std::vector<std::string> languagesIn(const WordFolders& folders);
/// The first language of the user's environment (LC_ALL, LC_MESSAGES, LANG) there are words for, else kFirstLanguage.
[[nodiscard]] std::string languageOfUser(const WordFolders& folders);

}  // namespace rayset
