// Rays in our files.
#pragma once

#include "anatomy/ray.h"
#include "base/codec.h"

namespace rayset::codec {

/// Its number, 1 to 5.
[[nodiscard]] Codec<Ray> ray();

}  // namespace rayset::codec
