// Codes of messages that stand where people read words.
#pragma once

#include <filesystem>
#include <nlohmann/json.hpp>
#include <set>
#include <string>
#include <string_view>
#include <vector>

#include "english.h"
#include "shell.h"
#include "text_file.h"

namespace rayset::test {

/// Codes of data/words/en.json in a text or in the bytes of a file.
inline std::vector<std::string> bareCodes(std::string_view text) {
  static const std::vector<std::string> list = english().codes();
  static const std::set<std::string, std::less<>> codes(list.begin(), list.end());
  const auto part = [](char c) { return (c >= 'a' && c <= 'z') || (c >= '0' && c <= '9') || c == '_' || c == '.'; };
  std::vector<std::string> found;
  for (std::size_t i = 0; i < text.size(); ++i) {
    if (!part(text[i])) continue;
    const std::size_t begin = i;
    while (i < text.size() && part(text[i])) ++i;
    std::string_view word = text.substr(begin, i - begin);
    while (word.ends_with('.')) word.remove_suffix(1);
    if (word.find('.') != std::string_view::npos && codes.contains(word)) found.emplace_back(word);
  }
  return found;
}

/// "file: code" for every file of a folder, also for the text of a PDF. The codes that stand beside the sentences of a
/// JSON file ("messages", language/spoken.h) are meant to be there.
inline std::vector<std::string> bareCodesIn(const std::filesystem::path& folder) {
  namespace fs = std::filesystem;
  std::vector<std::string> found;
  for (const auto& item : fs::recursive_directory_iterator(folder)) {
    if (!item.is_regular_file()) continue;
    const fs::path& file = item.path();
    std::string text = readAll(file);
    if (file.extension() == ".json") {
      auto document = nlohmann::ordered_json::parse(text, nullptr, false);
      if (document.is_object()) {
        document.erase("messages");
        text = document.dump();
      }
    } else if (file.extension() == ".pdf") {
      text = shell("pdftotext '" + file.string() + "' -").said;
    }
    for (const std::string& code : bareCodes(text)) found.push_back(file.filename().string() + ": " + code);
  }
  return found;
}

}  // namespace rayset::test
