// Errors are values: what was found, where, and what to do about it. No function of this library throws because of what
// is in files or requests.
//
//   const auto resources = rayset::api::Resources::read("/usr/share/rayset/data");
//   if (!resources) {
//     std::cerr << resources.error().message() << '\n';
//     return resources.error().exitStatus();
//   }
//   use(*resources);
#pragma once

#include <atomic>
#include <functional>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <variant>

#include "rayset/export.h"

/// The public interface. It has its own namespace because `rayset` is the library's internal one, with types of the
/// same names: the two never meet in a program, and internal changes never affect what a program links against. For
/// short: `namespace rs = rayset::api;`.
namespace rayset::api {

/// Why a call could not be carried out.
enum class Fault {
  kRequest,    ///< the request is invalid (a path, a setting, a folder that is not a plan)
  kImages,     ///< the images cannot be used
  kCancelled,  ///< stopped through Progress::stop
  kInternal    ///< disk full, out of memory, or an unexpected failure
};

/// An error that the user can act on.
struct Error {
  Fault fault = Fault::kInternal;
  std::string what;   ///< what was found, one sentence
  std::string where;  ///< file and attribute; may be empty
  /// What can be done; may be empty. A program option named in it (`--series`) is the field of that name in the
  /// request.
  std::string remedy;

  /// "what [where]. remedy", on one line.
  [[nodiscard]] RAYSET_API std::string message() const;
  /// The exit status of the program `rayset`: 1 internal, 2 request, 3 images, 130 cancelled.
  [[nodiscard]] RAYSET_API int exitStatus() const;
};

/// A value, or an error instead. Taking the value of an error, or the error of a value, is a programming mistake and
/// throws std::bad_variant_access.
template <class T>
class [[nodiscard]] Result {
 public:
  Result(T value) : held_(std::in_place_index<0>, std::move(value)) {}      // NOLINT: `return value;`
  Result(Error error) : held_(std::in_place_index<1>, std::move(error)) {}  // NOLINT: `return Error{...};`

  [[nodiscard]] explicit operator bool() const { return held_.index() == 0; }
  [[nodiscard]] T& operator*() & { return std::get<0>(held_); }
  [[nodiscard]] const T& operator*() const& { return std::get<0>(held_); }
  [[nodiscard]] T&& operator*() && { return std::get<0>(std::move(held_)); }
  [[nodiscard]] T* operator->() { return &std::get<0>(held_); }
  [[nodiscard]] const T* operator->() const { return &std::get<0>(held_); }
  [[nodiscard]] const Error& error() const { return std::get<1>(held_); }

 private:
  std::variant<T, Error> held_;
};

/// The result of a call without a return value: true if it succeeded.
template <>
class [[nodiscard]] Result<void> {
 public:
  Result() = default;
  Result(Error error) : held_(std::in_place_index<1>, std::move(error)) {}  // NOLINT: `return Error{...};`

  [[nodiscard]] explicit operator bool() const { return held_.index() == 0; }
  [[nodiscard]] const Error& error() const { return std::get<1>(held_); }

 private:
  std::variant<std::monostate, Error> held_;
};
using Status = Result<void>;

/// How a long call reports its progress and learns that it should stop. By default it reports nothing and is never
/// stopped.
struct Progress {
  /// Called with the stage ("read", "bones", "reduction"...) and the share of it that is done, 0 to 1; from any thread.
  std::function<void(std::string_view stage, double fraction)> report;
  /// Set to true by another thread or a signal handler to stop the call, within about a second, with Fault::kCancelled.
  const std::atomic<bool>* stop = nullptr;
};

}  // namespace rayset::api
