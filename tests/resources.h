// All data files of the source tree, for what plans, checks or opens cases.
#pragma once

#include <stdexcept>

#include "case/resources.h"
#include "english.h"

namespace rayset::test {

inline const Resources& resources() {
  static const Resources read = [] {
    auto r = readResources(RAYSET_DATA_DIR);
    if (!r) throw std::runtime_error(english(r.error()));
    return *std::move(r);
  }();
  return read;
}

}  // namespace rayset::test
