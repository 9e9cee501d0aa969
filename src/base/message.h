// What a stage has to say to people: a code and its arguments, never prose. The sentences are in data/words/, one file
// a language; language/words.h makes them, the page makes its own from the same files.
//
//   return fail(Fault::kImages, {"dicom.gap", {{"gap", mm(2.4)}, {"slices", 3}}}, file, "dicom.gap.remedy");
//   cautions.push_back(Message("bones.cut_off", {{"bone", name(Bone::kM2)}}).about("M2"));
#pragma once

#include <concepts>
#include <cstdint>
#include <memory>
#include <string>
#include <string_view>
#include <utility>
#include <variant>
#include <vector>

namespace rayset {

/// How a quantity is written is a matter of the language ("3 %", "3%"), so that it travels with its unit.
enum class Unit {
  kNone,
  kMm,
  kMm2,
  kMm3,
  kMl,
  kDegrees,
  kPercent,
  kHu,
  kNewtons,
  kSeconds,
  kMegabytes,
  kKilovolts,
  kPixels,
  kWeeks,
  kDays,
};
/// "mm", "deg", "percent"...: the key under "unit" in the words, and in JSON. "" for kNone.
[[nodiscard]] std::string_view unitKey(Unit unit);
[[nodiscard]] Unit unitOf(std::string_view key);  ///< kNone if there is none of this name

/// A number as people read it.
struct Quantity {
  double value = 0;
  Unit unit = Unit::kNone;
  int decimals = 1;        ///< negative: significant figures at most, -1: six ("%g")
  bool with_sign = false;  ///< "+1.2" where it is positive
  friend bool operator==(const Quantity&, const Quantity&) = default;
};
[[nodiscard]] inline Quantity number(double value, int decimals = 1) { return {value, Unit::kNone, decimals}; }
[[nodiscard]] inline Quantity plain(double value) { return {value, Unit::kNone, -1}; }  ///< as with "%g"
[[nodiscard]] inline Quantity mm(double value, int decimals = 1) { return {value, Unit::kMm, decimals}; }
[[nodiscard]] inline Quantity percent(double value, int decimals = 0) { return {value, Unit::kPercent, decimals}; }
/// Of an angle in degrees.
[[nodiscard]] inline Quantity inDegrees(double value, int decimals = 0) { return {value, Unit::kDegrees, decimals}; }

struct Argument;

/// See the head of this file. Empty (no code): nothing to say.
class Message {
 public:
  Message();
  Message(const char* code);  // NOLINT(google-explicit-constructor): codes are written where a message is wanted
  Message(const char* code, std::vector<Argument> args);
  /// Of a code put together at run time, whose parts all stand in the words ("bone." + id).
  [[nodiscard]] static Message made(std::string code);
  [[nodiscard]] static Message made(std::string code, std::vector<Argument> args);
  /// What a person or another program wrote: shown as it is, in any language.
  [[nodiscard]] static Message quoted(std::string text);
  Message(const Message&);
  Message(Message&&) noexcept;
  Message& operator=(const Message&);
  Message& operator=(Message&&) noexcept;
  ~Message();

  /// The bone ("M2", "M2.1"), ray ("ray 2") or device ("S2") it is about.
  [[nodiscard]] Message about(std::string subject) &&;

  [[nodiscard]] bool empty() const { return code_.empty(); }
  [[nodiscard]] const std::string& code() const { return code_; }
  [[nodiscard]] const std::vector<Argument>& args() const { return args_; }
  [[nodiscard]] const std::string& subject() const { return subject_; }
  /// Whether `part` is this message or one of those in it.
  [[nodiscard]] bool holds(const Message& part) const;
  [[nodiscard]] bool is(std::string_view code) const { return code_ == code; }

  friend bool operator==(const Message&, const Message&);

 private:
  std::string code_;
  std::vector<Argument> args_;
  std::string subject_;
};

class Value;
/// Made by all(), any() and each().
struct List {
  enum class Kind { kAll, kAny, kEach };
  std::vector<Value> items;
  Kind kind = Kind::kAll;
  friend bool operator==(const List&, const List&);
};

/// One argument: a text that is the same in every language (an id, a file's name), a count, a quantity, another
/// message, or a list of these.
class Value {
 public:
  using Held = std::variant<std::string, std::int64_t, Quantity, Message, List>;
  // NOLINTBEGIN(google-explicit-constructor): arguments are written as they are
  Value(std::string text) : held_(std::move(text)) {}
  Value(std::string_view text) : held_(std::string(text)) {}
  Value(const char* text) : held_(std::string(text)) {}
  template <std::integral Count>
  Value(Count count) : held_(static_cast<std::int64_t>(count)) {}
  /// A ray, by its number.
  template <class Numbered>
  requires requires(const Numbered& of) {
    { of.number() } -> std::same_as<int>;
  }
  Value(const Numbered& of) : held_(static_cast<std::int64_t>(of.number())) {}
  Value(Quantity quantity) : held_(quantity) {}
  Value(Message message) : held_(std::move(message)) {}
  Value(List list) : held_(std::move(list)) {}
  // NOLINTEND(google-explicit-constructor)
  Value(double) = delete;  // as a quantity, which says how it is rounded

  [[nodiscard]] const Held& held() const { return held_; }
  friend bool operator==(const Value&, const Value&) = default;

 private:
  Held held_;
};

struct Argument {
  std::string name;  ///< as in the words: "{name}"
  Value value;
  friend bool operator==(const Argument&, const Argument&) = default;
};

/// What people read for a key that stands in files ("not reduced", "screw"): "key.not_reduced" in the words.
[[nodiscard]] Message nameOfKey(std::string_view key);
/// "Write FORM.", a piece of JSON: what to put in place of a value that cannot be read.
[[nodiscard]] Message writeForm(std::string form);
/// Two sentences after one another; the other one where one is empty.
[[nodiscard]] Message then(Message first, Message second);
/// With a capital letter in front: a clause that begins a sentence.
[[nodiscard]] Message capitalised(Message clause);
/// With a capital letter in front and a full stop behind, unless it has its own end.
[[nodiscard]] Message sentence(Message clause);
/// A list of texts, messages or quantities: "a, b and c".
template <class Range>
[[nodiscard]] List all(const Range& of) {
  List out;
  for (const auto& item : of) out.items.emplace_back(item);
  return out;
}
/// "a, b or c".
template <class Range>
[[nodiscard]] List any(const Range& of) {
  List out = all(of);
  out.kind = List::Kind::kAny;
  return out;
}
/// "a; b; c": clauses.
template <class Range>
[[nodiscard]] List each(const Range& of) {
  List out = all(of);
  out.kind = List::Kind::kEach;
  return out;
}

}  // namespace rayset
