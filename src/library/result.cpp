#include "rayset/result.h"

#include "base/result.h"
#include "base/words.h"
#include "rayset/version.h"

namespace rayset::api {

std::string Error::message() const {
  std::string out = ended(where.empty() ? what : what + " [" + where + "]");
  return remedy.empty() ? out : out + " " + remedy;
}

int Error::exitStatus() const {
  switch (fault) {
    case Fault::kRequest:
      return rayset::exitStatus(rayset::Fault::kRequest);
    case Fault::kImages:
      return rayset::exitStatus(rayset::Fault::kImages);
    case Fault::kCancelled:
      return rayset::exitStatus(rayset::Fault::kCancelled);
    case Fault::kInternal:
      break;
  }
  return rayset::exitStatus(rayset::Fault::kInternal);
}

std::string_view version() { return RAYSET_VERSION_STRING; }

}  // namespace rayset::api
