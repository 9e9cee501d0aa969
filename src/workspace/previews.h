// Small pictures of images as they came in, to tell them apart by.
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

/// The film as its maker meant it to look, as PNG of square pixels, at most `most` of them a side; pHYs tells their
/// size where the header tells it.
[[nodiscard]] Result<std::vector<std::uint8_t>> filmPng(const FilmScan& scan, int most);

}  // namespace rayset
