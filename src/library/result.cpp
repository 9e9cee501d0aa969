#include "rayset/result.h"

#include "base/result.h"
#include "rayset/version.h"

namespace rayset::api {
namespace {

rayset::Error inner(const Error& error) {
  const auto fault = [&] {
    switch (error.fault) {
      case Fault::kRequest:
        return rayset::Fault::kRequest;
      case Fault::kImages:
        return rayset::Fault::kImages;
      case Fault::kCancelled:
        return rayset::Fault::kCancelled;
      case Fault::kInternal:
        break;
    }
    return rayset::Fault::kInternal;
  };
  return {fault(), error.what, error.where, error.remedy};
}

}  // namespace

std::string Error::message() const { return inner(*this).message(); }
int Error::exitStatus() const { return rayset::exitStatus(inner(*this).fault); }

std::string_view version() { return RAYSET_VERSION_STRING; }

}  // namespace rayset::api
