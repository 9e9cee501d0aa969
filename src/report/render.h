// Shaded pictures of bones and devices, ray traced with Embree on the processor.
#pragma once

#include <array>
#include <cstdint>
#include <filesystem>
#include <string>
#include <vector>

#include "base/result.h"
#include "geometry/surface.h"

namespace rayset {

struct RenderPart {
  const Surface* surface;
  std::array<float, 3> colour;   ///< linear RGB 0..1
  float opacity = 1;             ///< < 1: seen through (ghost of the other state, bones around a device)
};

/// Parallel projection: `right` and `up` are unit directions of the picture in the patient frame; looks along -(right x up).
struct RenderView {
  Vec3 centre;
  Vec3 right, up;
  double width_mm;
  int width_px = 900, height_px = 900;
};

struct Picture {
  int width = 0, height = 0;
  std::vector<std::uint8_t> rgba;   ///< row by row from the top
};

[[nodiscard]] Picture render(const std::vector<RenderPart>& parts, const RenderView& view);
[[nodiscard]] Status writePng(const std::filesystem::path& file, const Picture& picture);

}  // namespace rayset
