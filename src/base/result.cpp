#include "base/result.h"

namespace rayset {

tl::unexpected<Error> cancelledError() { return fail(Fault::kCancelled, "run.stopped"); }

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
