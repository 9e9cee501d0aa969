#include "workspace/grey_png.h"

#include <png.h>

#include <cmath>
#include <csetjmp>

namespace rayset {
namespace {

void append(png_structp png, png_bytep data, std::size_t length) {
  auto& out = *static_cast<std::vector<std::uint8_t>*>(png_get_io_ptr(png));
  out.insert(out.end(), data, data + length);
}

/// libpng leaves by longjmp on errors: nothing with a destructor may be made here.
bool write(png_structp png, png_infop info, const std::vector<std::uint8_t>& grey, png_uint_32 width,
           png_uint_32 height, png_uint_32 per_metre) {
  // NOLINTNEXTLINE(cert-err52-cpp): libpng's way of telling errors
  if (setjmp(png_jmpbuf(png)) != 0) return false;
  png_set_IHDR(png, info, width, height, 8, PNG_COLOR_TYPE_GRAY, PNG_INTERLACE_NONE, PNG_COMPRESSION_TYPE_DEFAULT,
               PNG_FILTER_TYPE_DEFAULT);
  // Dragging a view asks for pictures faster than level 6 can pack them; neighbouring rows are alike.
  png_set_compression_level(png, 1);
  png_set_filter(png, PNG_FILTER_TYPE_BASE, PNG_FILTER_UP);
  if (per_metre > 0) png_set_pHYs(png, info, per_metre, per_metre, PNG_RESOLUTION_METER);
  png_write_info(png, info);
  for (png_uint_32 r = 0; r < height; ++r) png_write_row(png, grey.data() + std::size_t{r} * width);
  png_write_end(png, info);
  return true;
}

}  // namespace

Result<std::vector<std::uint8_t>> greyPng(const std::vector<std::uint8_t>& grey, int width, int height,
                                          double pixel_mm) {
  const auto failed = [] {
    return fail(Fault::kInternal, "workspace.picture_could_not_packed", "PNG", Message("workspace.check_free_memory"));
  };
  std::vector<std::uint8_t> out;
  png_structp png = png_create_write_struct(PNG_LIBPNG_VER_STRING, nullptr, nullptr, nullptr);
  if (png == nullptr) return failed();
  png_infop info = png_create_info_struct(png);
  png_set_write_fn(png, &out, append, nullptr);
  const auto per_metre = pixel_mm > 0 ? static_cast<png_uint_32>(std::lround(1000 / pixel_mm)) : 0;
  const bool written = info != nullptr && write(png, info, grey, static_cast<png_uint_32>(width),
                                                static_cast<png_uint_32>(height), per_metre);
  png_destroy_write_struct(&png, &info);
  if (!written) return failed();
  return out;
}

}  // namespace rayset
