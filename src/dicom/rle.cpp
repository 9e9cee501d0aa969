#include "dicom/rle.h"

#include <algorithm>
#include <cstring>

namespace rayset::dicom {

const char* decodeRle(std::span<const std::uint8_t> fragment, std::size_t pixels, int bytes_per_pixel,
                      std::uint8_t* out) {
  constexpr std::size_t kHeader = 64;
  if (fragment.size() < kHeader) return "dicom.rle_header_cut_short";
  const auto word = [&](std::size_t i) {
    return static_cast<std::size_t>(fragment[4 * i]) | static_cast<std::size_t>(fragment[4 * i + 1]) << 8 |
           static_cast<std::size_t>(fragment[4 * i + 2]) << 16 | static_cast<std::size_t>(fragment[4 * i + 3]) << 24;
  };
  const auto planes = static_cast<std::size_t>(bytes_per_pixel);
  if (word(0) != planes) return "dicom.number_rle_segments_does_not_fit";
  for (std::size_t s = 0; s < planes; ++s) {
    const std::size_t begin = word(1 + s);
    const std::size_t end = s + 1 < planes ? word(2 + s) : fragment.size();
    if (begin < kHeader || begin > end || end > fragment.size()) return "dicom.rle_segment_offsets_lie_outside_data";
    const std::uint8_t* in = fragment.data() + begin;
    const std::uint8_t* const last = fragment.data() + end;
    std::uint8_t* plane = out + (planes - 1 - s);  // most significant byte first; `out` is little endian
    std::size_t done = 0;
    while (done < pixels) {
      if (in == last) return "dicom.rle_segment_ends_before_image_does";
      const int n = static_cast<std::int8_t>(*in++);
      if (n >= 0) {
        const auto run = static_cast<std::size_t>(n) + 1;
        if (static_cast<std::size_t>(last - in) < run) return "dicom.rle_segment_ends_before_image_does";
        if (run > pixels - done) return "dicom.rle_segment_holds_more_image";
        for (std::size_t i = 0; i < run; ++i) plane[(done + i) * planes] = in[i];
        in += run;
        done += run;
      } else if (n > -128) {
        const auto run = static_cast<std::size_t>(1 - n);
        if (in == last) return "dicom.rle_segment_ends_before_image_does";
        if (run > pixels - done) return "dicom.rle_segment_holds_more_image";
        const std::uint8_t value = *in++;
        for (std::size_t i = 0; i < run; ++i) plane[(done + i) * planes] = value;
        done += run;
      }
    }
  }
  return nullptr;
}

}  // namespace rayset::dicom
