// DICOM RLE (PS3.5 Annex G). Our own decoder, because DCMTK 3.6.7's trusts the offsets in the file (it read outside its
// buffer in our tests with damaged files) and fills missing data with zeros without reporting it.
#pragma once

#include <cstdint>
#include <span>

namespace rayset::dicom {

/// One frame from its fragment: `out` receives pixels * bytes_per_pixel bytes, little endian. G.2: each byte plane is a
/// segment of its own, the most significant first; G.3: PackBits; G.5: a header of 16 little-endian words. Returns null
/// on success, else what is wrong.
[[nodiscard]] const char* decodeRle(std::span<const std::uint8_t> fragment, std::size_t pixels, int bytes_per_pixel,
                                    std::uint8_t* out);

}  // namespace rayset::dicom
