// Messages in words, for tests that read them: English, from data/words/en.json.
#pragma once

#include <ostream>
#include <string>
#include <vector>

#include "data_files.h"
#include "language/words.h"

namespace rayset {

inline const Words& english() {
  static const Words words = [] {
    auto read = readWords({test::dataFile("words")});
    return read ? *read : Words();
  }();
  return words;
}
[[nodiscard]] inline std::string english(const Message& message) { return english().text(message); }
[[nodiscard]] inline std::vector<std::string> english(const std::vector<Message>& messages) {
  return english().texts(messages);
}
inline std::ostream& operator<<(std::ostream& out, const Message& message) { return out << english(message); }
/// By their words, so that tests say what people read.
inline bool operator==(const Message& message, const char* text) { return english(message) == text; }
inline bool operator==(const Message& message, const std::string& text) { return english(message) == text; }
[[nodiscard]] inline std::string english(const Error& error) { return english().line(error); }

}  // namespace rayset
