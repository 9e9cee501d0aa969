// SPDX-FileCopyrightText: Rayset contributors
// Errors are values: what was found, where, and what to do about it.
#pragma once

#include <string>
#include <tl/expected.hpp>
#include <utility>

#include "base/message.h"

namespace rayset {

/// Why a run could not go on; decides the exit status of the program (2 request, 3 images: plan contract).
enum class Fault {
  kRequest,    ///< invalid request (option, path, setting): exit 2
  kImages,     ///< the images cannot be used: exit 3
  kCancelled,  ///< the user stopped the run: exit 130
  kInternal    ///< disk full, a library failed unexpectedly: exit 1
};

/// An error a person can act on.
struct Error {
  Fault fault = Fault::kInternal;
  Message what;       ///< what was found, one sentence
  std::string where;  ///< file and attribute, e.g. "IM0003.dcm, Pixel Data (7FE0,0010)"; may be empty
  Message remedy;     ///< what the user can do; may be empty
};

template <class T>
using Result = tl::expected<T, Error>;
using Status = tl::expected<void, Error>;

/// Shorthand: `return fail(Fault::kImages, "dicom.no_ct", folder, "dicom.no_ct.remedy");`
[[nodiscard]] inline tl::unexpected<Error> fail(Fault fault, Message what, std::string where = {},
                                                Message remedy = {}) {
  return tl::unexpected<Error>(Error{fault, std::move(what), std::move(where), std::move(remedy)});
}
/// The error of a stage that noticed Progress::cancelled().
[[nodiscard]] tl::unexpected<Error> cancelledError();

/// The exit status the program ends with for an error of this kind.
[[nodiscard]] int exitStatus(Fault fault);

}  // namespace rayset
