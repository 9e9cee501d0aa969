#include "bones/doubt.h"

namespace rayset {

std::string_view doubtWord(Doubt doubt) {
  switch (doubt) {
    case Doubt::kTouching:
      return "touching";
    case Doubt::kCropped:
      return "cropped";
    case Doubt::kMetal:
      return "metal";
    case Doubt::kLowDensity:
      return "low density";
    case Doubt::kFaintOutline:
      return "faint outline";
    case Doubt::kOddVolume:
      return "odd volume";
    case Doubt::kEndMissing:
      return "end missing";
    case Doubt::kTakenAlong:
      return "taken along";
    case Doubt::kNotFound:
      return "not found";
  }
  return {};
}

}  // namespace rayset
