// Thumbnails of imported images.
#pragma once

#include <cstdint>
#include <vector>

#include "base/result.h"
#include "dicom/film_reader.h"
#include "image/volume.h"
#include "report/render.h"

namespace rayset {

/// The densest value along the rows' second axis (as a rule from front to back), 0 to 1500 HU as black to white.
[[nodiscard]] Picture ctPreview(const CtVolume& ct);

/// The film as its maker intended, as a PNG of square pixels, at most `most` a side; pHYs gives their size if the
/// header does.
[[nodiscard]] Result<std::vector<std::uint8_t>> filmPng(const FilmScan& scan, int most);

}  // namespace rayset
