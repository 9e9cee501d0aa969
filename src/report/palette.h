// The colours of pictures, reports and the page (web/src/palette.css and facts.ts are made from them).
#pragma once

#include "report/page.h"

namespace rayset::palette {

/// Distinguishable with any of the common colour-vision deficiencies, on white and on black (Okabe and Ito 2008,
/// jfly.uni-koeln.de/color); each also differs by shape, pattern or word wherever it is used.
inline constexpr pdf::Colour kOrange = 0xE69F00, kSkyBlue = 0x56B4E9, kGreen = 0x009E73, kYellow = 0xF0E442,
                             kBlue = 0x0072B2, kVermilion = 0xD55E00, kPurple = 0xCC79A7;

inline constexpr pdf::Colour kFound = kOrange, kPlace = kBlue, kPiece = kVermilion, kUntold = kYellow;
inline constexpr pdf::Colour kFoundText = 0x9A5B00;   ///< kFound, dark enough for text
inline constexpr pdf::Colour kFoundBand = 0xFFF3DC;   ///< kFound, light enough for a background to text
inline constexpr pdf::Colour kPlacedBone = 0x7DB8DE;  ///< kPlace, light enough to show the shape of a bone
inline constexpr pdf::Colour kBone = 0xE9E2D3, kFaint = 0xD9D6CF, kScrew = 0x40464E, kWire = 0xB0559A;

}  // namespace rayset::palette
