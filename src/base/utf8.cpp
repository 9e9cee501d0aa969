#include "base/utf8.h"

#include <utf8.h>

#include <algorithm>
#include <iterator>

namespace rayset {

bool isUtf8(std::string_view text) { return utf8::is_valid(text.begin(), text.end()); }

std::u32string codePoints(std::string_view text) {
  std::string valid;
  valid.reserve(text.size());
  utf8::replace_invalid(text.begin(), text.end(), std::back_inserter(valid), U'\uFFFD');
  std::u32string out;
  utf8::utf8to32(valid.begin(), valid.end(), std::back_inserter(out));
  return out;
}

std::string utf8From(std::u32string_view code_points) {
  std::string out;
  utf8::utf32to8(code_points.begin(), code_points.end(), std::back_inserter(out));
  return out;
}

std::size_t characterCount(std::string_view text) { return codePoints(text).size(); }

std::string firstCharacters(std::string_view text, std::size_t most) {
  return utf8From(std::u32string_view(codePoints(text)).substr(0, most));
}

bool hasControls(std::string_view text) {
  const std::u32string all = codePoints(text);
  return std::any_of(all.begin(), all.end(), [](char32_t c) { return c < 0x20 || (c >= 0x7F && c < 0xA0); });
}

}  // namespace rayset
