// Points, transforms and sides in our files (base/codec.h).
#pragma once

#include "base/codec.h"
#include "geometry/types.h"

namespace rayset::codec {

/// [x, y, z], patient frame (LPS), mm, to `digits` decimals; negative: as it is.
[[nodiscard]] Codec<Vec3> point(int digits);
/// A unit vector; read if its length is 1 to 1e-4, and kept as written.
[[nodiscard]] Codec<Vec3> direction(int digits);
/// Four rows of four numbers, row major, acting on column vectors; shifts to 1e-5 mm, rotations to 1e-9. Read if rigid
/// to 1e-4, and kept as written, not made exact: what is written again is what was read.
[[nodiscard]] Codec<Rigid> transform();

/// "right" or "left".
[[nodiscard]] Codec<Side> side();

}  // namespace rayset::codec
