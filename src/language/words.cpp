#include "language/words.h"

#include <fmt/format.h>
#include <unicode/listformatter.h>
#include <unicode/msgfmt.h>
#include <unicode/uchar.h>

#include <algorithm>
#include <cmath>
#include <cstdlib>
#include <fstream>
#include <map>
#include <nlohmann/json.hpp>
#include <set>

#include "base/words.h"

namespace rayset {

struct Words::Impl {
  std::string language;
  std::string tag;  ///< "en-GB"
  icu::Locale locale = icu::Locale::getRoot();
  std::string decimal = ".";
  std::map<std::string, std::string, std::less<>> patterns;
  std::string place;  ///< of variants; may be empty
  std::shared_ptr<const icu::ListFormatter> all, any;

  [[nodiscard]] const std::string* pattern(std::string_view code) const {
    if (!place.empty())
      if (const auto it = patterns.find(std::string(code).append(".").append(place)); it != patterns.end())
        return &it->second;
    const auto it = patterns.find(code);
    return it == patterns.end() ? nullptr : &it->second;
  }
};

namespace {

icu::UnicodeString wide(const std::string& text) { return icu::UnicodeString::fromUTF8(text); }

std::string narrow(const icu::UnicodeString& text) {
  std::string out;
  text.toUTF8String(out);
  return out;
}

/// With a capital letter in front, of any alphabet.
std::string withCapital(const std::string& text) {
  icu::UnicodeString out = wide(text);
  if (out.isEmpty()) return text;
  const UChar32 first = out.char32At(0);
  out.replace(0, U16_LENGTH(first), u_totitle(first));
  return narrow(out);
}

/// "unit" holds patterns too, but no message: its keys are those of unitKey().
void addPatterns(const nlohmann::json& file, Words::Impl& into) {
  for (const auto& [section, entries] : file.items()) {
    if (!entries.is_object()) continue;
    for (const auto& [key, pattern] : entries.items()) {
      std::string code = section;
      code.append(".").append(key);
      into.patterns[code] = pattern.get<std::string>();
    }
  }
}

std::filesystem::path fileOf(const WordFolders& folders, const std::string& language) {
  const std::string name = language + ".json";
  if (!folders.added.empty() && language != kFirstLanguage && std::filesystem::exists(folders.added / name))
    return folders.added / name;
  return folders.own / name;
}

Result<nlohmann::json> readFile(const std::filesystem::path& file) {
  std::ifstream in(file, std::ios::binary);
  if (!in) return fail(Fault::kRequest, "words.missing", file.string(), "words.missing.remedy");
  try {
    return nlohmann::json::parse(in);
  } catch (const nlohmann::json::exception& e) {
    return fail(Fault::kRequest, {"words.unusable", {{"why", e.what()}}}, file.string(), "words.missing.remedy");
  }
}

/// Each pattern once, so that a bad one is reported when the program starts and not when it is needed.
Status checkPatterns(const Words::Impl& words, const std::filesystem::path& file) {
  for (const auto& [code, pattern] : words.patterns) {
    UErrorCode status = U_ZERO_ERROR;
    UParseError where;
    const icu::MessageFormat format(wide(pattern), words.locale, where, status);
    if (U_FAILURE(status) != 0)
      return fail(Fault::kRequest, {"words.bad_pattern", {{"code", code}, {"why", u_errorName(status)}}}, file.string(),
                  "words.bad_pattern.remedy");
  }
  return {};
}

}  // namespace

Words::Words() : impl_(std::make_shared<const Impl>()) {}
Words::Words(std::shared_ptr<const Impl> impl) : impl_(std::move(impl)) {}

const std::string& Words::language() const { return impl_->language; }
Words Words::in(const std::string& place) const {
  Impl of = *impl_;
  of.place = place;
  return Words(std::make_shared<const Impl>(std::move(of)));
}

bool Words::knows(std::string_view code) const { return impl_->pattern(code) != nullptr; }

std::vector<std::string> Words::codes() const {
  std::vector<std::string> out;
  for (const auto& [code, pattern] : impl_->patterns) out.push_back(code);
  return out;
}

std::string Words::json() const {
  return nlohmann::json{
      {"language", impl_->language}, {"locale", impl_->tag}, {"decimal", impl_->decimal}, {"words", impl_->patterns}}
      .dump();
}

std::string Words::text(const Quantity& q) const {
  if (!std::isfinite(q.value)) return "–";
  std::string digits = q.decimals < 0 ? fmt::format("{:.{}g}", std::abs(q.value), q.decimals == -1 ? 6 : -q.decimals)
                                      : fmt::format("{:.{}f}", std::abs(q.value), q.decimals);
  // Not "-0.0": what rounds to nothing has no sign.
  const bool nothing = digits.find_first_not_of("0.") == std::string::npos;
  if (const std::size_t point = digits.find('.'); point != std::string::npos) digits.replace(point, 1, impl_->decimal);
  if (!nothing) {
    const std::string_view sign = q.value < 0 ? "−" : q.with_sign ? "+" : "";  // U+2212
    digits = std::string(sign).append(digits);
  }
  if (q.unit == Unit::kNone) return digits;
  std::string code = "unit.";
  code += unitKey(q.unit);
  const std::string* pattern = impl_->pattern(code);
  if (pattern == nullptr) return digits + " " + std::string(unitKey(q.unit));
  std::string out = *pattern;
  if (const std::size_t at = out.find("{n}"); at != std::string::npos) out.replace(at, 3, digits);
  return out;
}

std::string Words::list(const std::vector<std::string>& items, List::Kind kind) const {
  if (kind == List::Kind::kEach) return fmt::format("{}", fmt::join(items, "; "));
  const auto& format = kind == List::Kind::kAny ? impl_->any : impl_->all;
  if (format == nullptr) return fmt::format("{}", fmt::join(items, ", "));
  std::vector<icu::UnicodeString> texts;
  texts.reserve(items.size());
  for (const std::string& item : items) texts.push_back(wide(item));
  UErrorCode status = U_ZERO_ERROR;
  icu::UnicodeString out;
  format->format(texts.data(), static_cast<std::int32_t>(texts.size()), out, status);
  return narrow(out);
}

namespace {

std::string asText(const Words& words, const Value& value) {
  struct Visitor {
    const Words& words;
    std::string operator()(const std::string& s) const { return s; }
    std::string operator()(std::int64_t n) const { return std::to_string(n); }
    std::string operator()(const Quantity& q) const { return words.text(q); }
    std::string operator()(const Message& m) const { return words.text(m); }
    std::string operator()(const List& l) const {
      std::vector<std::string> items;
      items.reserve(l.items.size());
      for (const Value& v : l.items) items.push_back(asText(words, v));
      return words.list(items, l.kind);
    }
  };
  return std::visit(Visitor{words}, value.held());
}

}  // namespace

std::string Words::text(const Message& message) const {
  if (message.empty()) return {};
  const std::string* pattern = impl_->pattern(message.code());
  if (pattern == nullptr) {
    if (message.is("text")) return asText(*this, message.args().front().value);
    for (const Argument& a : message.args())
      if (a.name == "text") return asText(*this, a.value);  // of a data file, which has words of its own
    std::string out = message.code();
    for (const Argument& a : message.args()) out += " " + a.name + "=" + asText(*this, a.value);
    return out;
  }
  if (pattern->find_first_of("{'") == std::string::npos) return *pattern;
  if (message.is("join.sentence")) return ended(withCapital(asText(*this, message.args().front().value)));
  if (message.is("join.capital")) return withCapital(asText(*this, message.args().front().value));

  std::vector<icu::UnicodeString> names;
  std::vector<icu::Formattable> values;
  for (const Argument& a : message.args()) {
    names.push_back(wide(a.name));
    // As text where it only stands there: ICU would write 2147483647 with separators.
    const auto* count = std::get_if<std::int64_t>(&a.value.held());
    if (count != nullptr && pattern->find("{" + a.name + ",") != std::string::npos)
      values.emplace_back(*count);
    else
      values.emplace_back(wide(asText(*this, a.value)));
  }
  UErrorCode status = U_ZERO_ERROR;
  UParseError where;
  const icu::MessageFormat format(wide(*pattern), impl_->locale, where, status);
  icu::UnicodeString out;
  format.format(names.data(), values.data(), static_cast<std::int32_t>(values.size()), out, status);
  return U_FAILURE(status) != 0 ? *pattern : narrow(out);
}

std::string Words::operator()(const char* code, std::vector<Argument> args) const {
  return text(Message(code, std::move(args)));
}

std::vector<std::string> Words::texts(const std::vector<Message>& messages) const {
  std::vector<std::string> out;
  out.reserve(messages.size());
  for (const Message& m : messages) out.push_back(text(m));
  return out;
}

std::string Words::sentence(const Message& message) const { return ended(withCapital(text(message))); }

std::string Words::line(const Error& error) const {
  std::string out = text(error.what);
  if (!error.where.empty()) out.append(" [").append(error.where).append("]");
  out = ended(std::move(out));
  if (!error.remedy.empty()) out.append(" ").append(text(error.remedy));
  return out;
}

Result<Words> readWords(const WordFolders& folders, const std::string& language) {
  auto impl = std::make_shared<Words::Impl>();
  std::vector<std::string> languages{kFirstLanguage};
  if (language != kFirstLanguage) languages.push_back(language);
  for (const std::string& one : languages) {
    const std::filesystem::path file = fileOf(folders, one);
    const auto read = readFile(file);
    if (!read) return tl::unexpected(read.error());
    try {
      impl->tag = read->at("locale").get<std::string>();
      impl->decimal = read->at("decimal").get<std::string>();
      addPatterns(*read, *impl);
    } catch (const nlohmann::json::exception& e) {
      return fail(Fault::kRequest, {"words.unusable", {{"why", e.what()}}}, file.string(), "words.missing.remedy");
    }
    impl->language = one;
    UErrorCode status = U_ZERO_ERROR;
    impl->locale = icu::Locale::forLanguageTag(impl->tag, status);
    impl->all.reset(icu::ListFormatter::createInstance(impl->locale, ULISTFMT_TYPE_AND, ULISTFMT_WIDTH_WIDE, status));
    impl->any.reset(icu::ListFormatter::createInstance(impl->locale, ULISTFMT_TYPE_OR, ULISTFMT_WIDTH_WIDE, status));
    if (U_FAILURE(status) != 0)
      return fail(Fault::kRequest, {"words.bad_locale", {{"locale", impl->tag}}}, file.string(),
                  "words.bad_locale.remedy");
    if (const Status ok = checkPatterns(*impl, file); !ok) return tl::unexpected(ok.error());
  }
  return Words(std::move(impl));
}

std::vector<std::string> languagesIn(const WordFolders& folders) {
  std::set<std::string> found;
  for (const std::filesystem::path& folder : {folders.own, folders.added}) {
    std::error_code problem;
    for (const auto& entry : std::filesystem::directory_iterator(folder, problem))
      if (entry.path().extension() == ".json") found.insert(entry.path().stem().string());
  }
  found.erase(kFirstLanguage);
  std::vector<std::string> out{kFirstLanguage};
  out.insert(out.end(), found.begin(), found.end());
  return out;
}

std::string languageOfUser(const WordFolders& folders) {
  const std::vector<std::string> there = languagesIn(folders);
  for (const char* name : {"LC_ALL", "LC_MESSAGES", "LANG"}) {
    const char* value = std::getenv(name);
    if (value == nullptr || *value == '\0') continue;
    // "de_CH.UTF-8"
    const std::string language = std::string(value).substr(0, std::string_view(value).find_first_of("_.@"));
    return std::find(there.begin(), there.end(), language) != there.end() ? language : kFirstLanguage;
  }
  return kFirstLanguage;
}

}  // namespace rayset
