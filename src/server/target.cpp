#include "server/target.h"

#include <algorithm>
#include <charconv>

#include "base/utf8.h"

namespace rayset::server {
namespace {

std::optional<std::string> percentDecoded(std::string_view text, bool plus_is_space) {
  std::string out;
  for (std::size_t n = 0; n < text.size(); ++n) {
    if (text[n] == '+' && plus_is_space) {
      out += ' ';
    } else if (text[n] != '%') {
      out += text[n];
    } else {
      unsigned char byte = 0;
      const char* end = text.data() + std::min(n + 3, text.size());
      if (n + 2 >= text.size() || std::from_chars(text.data() + n + 1, end, byte, 16).ptr != end) return std::nullopt;
      out += static_cast<char>(byte);
      n += 2;
    }
  }
  if (!isUtf8(out) || hasControls(out)) return std::nullopt;
  return out;
}

/// The parts between the marks; none of an empty text, and none after a mark at its end.
std::vector<std::string_view> split(std::string_view text, char mark) {
  std::vector<std::string_view> parts;
  while (!text.empty()) {
    const auto end = text.find(mark);
    parts.push_back(text.substr(0, end));
    text.remove_prefix(end == std::string_view::npos ? text.size() : end + 1);
  }
  return parts;
}

}  // namespace

std::optional<Target> targetFrom(std::string_view text) {
  if (text.empty() || text.front() != '/') return std::nullopt;
  Target out;
  const auto mark = std::min(text.find('?'), text.size());
  for (const std::string_view part : split(text.substr(1, mark - 1), '/')) {
    auto segment = percentDecoded(part, false);
    if (!segment || segment->empty()) return std::nullopt;
    out.segments.push_back(std::move(*segment));
  }
  for (const std::string_view pair : split(text.substr(std::min(mark + 1, text.size())), '&')) {
    const auto equals = std::min(pair.find('='), pair.size());
    auto key = percentDecoded(pair.substr(0, equals), true);
    auto value = percentDecoded(pair.substr(std::min(equals + 1, pair.size())), true);
    if (!key || !value) return std::nullopt;
    out.query[*key] = *value;
  }
  return out;
}

}  // namespace rayset::server
