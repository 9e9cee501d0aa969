#include "workspace/grey_png.h"

#include <zlib.h>

#include <cmath>
#include <span>

namespace rayset {
namespace {

void put32(std::vector<std::uint8_t>& out, std::uint32_t v) {
  for (int shift = 24; shift >= 0; shift -= 8) out.push_back(static_cast<std::uint8_t>(v >> shift));
}

void putChunk(std::vector<std::uint8_t>& out, const char (&name)[5], std::span<const std::uint8_t> data) {
  put32(out, static_cast<std::uint32_t>(data.size()));
  const std::size_t from = out.size();
  out.insert(out.end(), name, name + 4);
  out.insert(out.end(), data.begin(), data.end());
  put32(out, static_cast<std::uint32_t>(crc32(0, out.data() + from, static_cast<uInt>(out.size() - from))));
}

}  // namespace

Result<std::vector<std::uint8_t>> greyPng(const std::vector<std::uint8_t>& grey, int width, int height,
                                          double pixel_mm) {
  const auto w = static_cast<std::size_t>(width), h = static_cast<std::size_t>(height);
  std::vector<std::uint8_t> rows;
  rows.reserve(h * (w + 1));
  for (std::size_t r = 0; r < h; ++r) {
    rows.push_back(2);
    for (std::size_t c = 0; c < w; ++c)
      rows.push_back(static_cast<std::uint8_t>(grey[r * w + c] - (r > 0 ? grey[(r - 1) * w + c] : 0)));
  }
  uLongf size = compressBound(static_cast<uLong>(rows.size()));
  std::vector<std::uint8_t> packed(size);
  if (compress2(packed.data(), &size, rows.data(), static_cast<uLong>(rows.size()), 1) != Z_OK)
    return fail(Fault::kInternal, "the picture could not be packed", "PNG", "Check free memory.");
  packed.resize(size);
  std::vector<std::uint8_t> out{0x89, 'P', 'N', 'G', '\r', '\n', 0x1A, '\n'}, head;
  put32(head, static_cast<std::uint32_t>(width));
  put32(head, static_cast<std::uint32_t>(height));
  head.insert(head.end(), {8, 0, 0, 0, 0});
  putChunk(out, "IHDR", head);
  if (pixel_mm > 0) {
    std::vector<std::uint8_t> scale;
    const auto per_metre = static_cast<std::uint32_t>(std::lround(1000 / pixel_mm));
    put32(scale, per_metre);
    put32(scale, per_metre);
    scale.push_back(1);
    putChunk(out, "pHYs", scale);
  }
  putChunk(out, "IDAT", packed);
  putChunk(out, "IEND", {});
  return out;
}

}  // namespace rayset
