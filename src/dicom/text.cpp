#include "dicom/text.h"

#include <dcmtk/config/osconfig.h>
#include <dcmtk/dcmdata/dcspchrs.h>
#include <iconv.h>

#include <algorithm>
#include <charconv>
#include <cmath>
#include <cstring>

#include "base/utf8.h"
#include "dicom/attributes.h"

namespace rayset::dicom {

std::string label(const Attribute& attribute) {
  char tag[16];
  std::snprintf(tag, sizeof tag, " (%04X,%04X)", attribute.group, attribute.element);
  return std::string(attribute.name) + tag;
}

std::string trimmed(std::string_view text) {
  const auto blank = [](char c) { return c == ' ' || c == '\0' || c == '\t' || c == '\r' || c == '\n'; };
  while (!text.empty() && blank(text.front())) text.remove_prefix(1);
  while (!text.empty() && blank(text.back())) text.remove_suffix(1);
  return std::string(text);
}

std::vector<std::string> splitValues(std::string_view text) {
  std::vector<std::string> values;
  while (true) {
    const auto cut = text.find('\\');
    values.push_back(trimmed(text.substr(0, cut)));
    if (cut == std::string_view::npos) return values;
    text.remove_prefix(cut + 1);
  }
}

std::string lower(std::string_view text) {
  std::string out(text);
  for (char& c : out)
    if (c >= 'A' && c <= 'Z') c = static_cast<char>(c - 'A' + 'a');
  return out;
}

namespace {
template <class T>
std::optional<T> parseWhole(std::string_view text) {
  const std::string clean = trimmed(text);
  const char* first = clean.data();
  const char* last = first + clean.size();
  if (first != last && *first == '+') ++first;
  T value{};
  const auto [end, error] = std::from_chars(first, last, value);
  if (error != std::errc() || end != last || first == last) return std::nullopt;
  return value;
}
}  // namespace

std::optional<double> parseDecimal(std::string_view text) {
  const auto value = parseWhole<double>(text);
  if (value && !std::isfinite(*value)) return std::nullopt;
  return value;
}

std::optional<long long> parseInteger(std::string_view text) { return parseWhole<long long>(text); }

namespace {

std::string latin1ToUtf8(const std::string& raw) {
  std::u32string code_points;  // of Latin-1, the bytes themselves
  for (const char c : raw) code_points += static_cast<unsigned char>(c);
  return utf8From(code_points);
}

/// The whole text through the C library's iconv; nothing if it cannot be decoded.
std::optional<std::string> convertWith(const char* encoding, std::string raw) {
  const iconv_t converter = iconv_open("UTF-8", encoding);
  if (converter == reinterpret_cast<iconv_t>(-1)) return std::nullopt;
  std::string out(raw.size() * 4 + 16, '\0');
  char* in = raw.data();
  char* to = out.data();
  std::size_t left = raw.size(), room = out.size();
  const std::size_t status = iconv(converter, &in, &left, &to, &room);
  iconv_close(converter);
  if (status == static_cast<std::size_t>(-1)) return std::nullopt;
  out.resize(out.size() - room);
  return out;
}

/// Code extensions with escape sequences (PS3.5 6.1.2.5, annexes H, I and K), which DCMTK lacks if built on the C
/// library's iconv: Japanese ones are ISO-2022-JP-2, Korean and Chinese ones EUC with the escapes removed.
std::optional<std::string> convertExtended(const std::string& raw) {
  const auto without = [&](const char* escape) {
    std::string out = raw;
    for (auto at = out.find(escape); at != std::string::npos; at = out.find(escape)) out.erase(at, std::strlen(escape));
    return out;
  };
  if (raw.find("\033$)C") != std::string::npos) return convertWith("EUC-KR", without("\033$)C"));
  if (raw.find("\033$)A") != std::string::npos) return convertWith("GB18030", without("\033$)A"));
  if (raw.find("\033$") != std::string::npos) return convertWith("ISO-2022-JP-2", raw);
  return std::nullopt;
}

}  // namespace

std::string toUtf8(const std::string& raw, const std::string& character_set, const char* delimiters) {
  std::string text;
  const bool ascii = std::all_of(raw.begin(), raw.end(), [](char c) { return c >= ' ' && c != 0x7f; });
  if (ascii) {
    text = raw;
  } else {
    DcmSpecificCharacterSet converter;
    OFString out;
    const bool declared = !character_set.empty();
    if (declared && converter.selectCharacterSet(OFString(character_set.c_str())).good() &&
        converter.convertString(OFString(raw.data(), raw.size()), out, delimiters).good()) {
      text.assign(out.data(), out.size());
    } else {
      // Escapes, or undeclared: many files hold UTF-8 or Latin-1 without saying so.
      text = convertExtended(raw).value_or(raw);
    }
    if (!isUtf8(text)) text = latin1ToUtf8(raw);
    std::erase_if(text, [](char c) { return static_cast<unsigned char>(c) < 0x20 || c == 0x7f; });
  }
  return trimmed(text);
}

}  // namespace rayset::dicom
