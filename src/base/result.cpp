#include "base/result.h"

namespace rayset {

std::string Error::message() const {
  std::string text = what;
  if (!where.empty()) text += " [" + where + "]";
  if (!text.empty() && text.back() != '.') text += '.';
  if (!remedy.empty()) text += " " + remedy;
  return text;
}

tl::unexpected<Error> cancelledError() { return fail(Fault::kCancelled, "the run was stopped before it was finished"); }

int exitStatus(Fault fault) {
  switch (fault) {
    case Fault::kRequest:
      return 2;
    case Fault::kImages:
      return 3;
    case Fault::kCancelled:
      return 130;  // 128 + SIGINT, as shells expect
    case Fault::kInternal:
      break;
  }
  return 1;
}

}  // namespace rayset
