// Shaded pictures of bones and devices, ray traced with Embree on the processor.
//
// Parallel projection, smooth normals (creases above 45 degrees stay sharp), one soft key light from above left of the
// viewer, ambient occlusion, and dark lines where one part ends in front of another, so that single bones can be told
// apart in grey as well. Parts with opacity below 1 show their nearest front only and never hide what lies behind.
// The same input gives the same picture on any number of threads.
#pragma once

#include <array>
#include <cstdint>
#include <filesystem>
#include <memory>
#include <string>
#include <vector>

#include "base/result.h"
#include "geometry/surface.h"

namespace rayset {

struct RenderPart {
  const Surface* surface;       ///< outward oriented; need not be closed
  std::array<float, 3> colour;  ///< linear RGB 0..1 (see linearColour() for the usual screen values)
  float opacity = 1;  ///< < 1: seen through (ghost of the other state, bones around a device); 0: outline only
};

/// Parallel projection: `right` and `up` are unit directions of the picture in the patient frame; looks along -(right x
/// up). `centre` lies in the middle of the picture; the scale is width_px / width_mm in both directions.
struct RenderView {
  Vec3 centre;
  Vec3 right, up;
  double width_mm;
  int width_px = 900, height_px = 900;
};

struct RenderSettings {
  int samples = 3;                 ///< rays per pixel along each axis (anti-aliasing)
  int occlusion_rays = 12;         ///< per pixel, before smoothing; 0: no ambient occlusion
  double occlusion_reach_mm = 14;  ///< what is farther away casts no ambient shade
  double line_px = 1.1;            ///< half-width of the lines around parts; 0: none
};

struct Picture {
  int width = 0, height = 0;
  std::vector<std::uint8_t> rgba;  ///< row by row from the top, sRGB, not premultiplied; the background is white
};

/// Where a patient point falls in the picture, in pixels from the top left corner (pixel centres at .5).
[[nodiscard]] Eigen::Vector2d project(const RenderView& view, const Vec3& point);
/// The linear RGB of a screen colour 0xRRGGBB (sRGB).
[[nodiscard]] std::array<float, 3> linearColour(std::uint32_t rgb);

/// Surfaces made ready once for many pictures (smooth normals, search trees). The surfaces must stay where they are and
/// as they are while this lives. Safe to share between threads.
class PreparedSurfaces {
 public:
  struct Mesh;
  struct Impl;
  /// Null and empty ones are passed over.
  explicit PreparedSurfaces(const std::vector<const Surface*>& surfaces);
  ~PreparedSurfaces();
  PreparedSurfaces(const PreparedSurfaces&) = delete;
  PreparedSurfaces& operator=(const PreparedSurfaces&) = delete;

  /// Null where the surface was not among those given.
  [[nodiscard]] const Mesh* find(const Surface* surface) const;
  [[nodiscard]] const Impl& impl() const { return *impl_; }

 private:
  std::unique_ptr<Impl> impl_;
};

[[nodiscard]] Picture render(const std::vector<RenderPart>& parts, const RenderView& view,
                             const RenderSettings& settings = {});
/// The same from surfaces prepared before; parts whose surface is not among them are not shown.
[[nodiscard]] Picture render(const std::vector<RenderPart>& parts, const RenderView& view,
                             const RenderSettings& settings, const PreparedSurfaces& prepared);
/// PNG (cairo). Fault::kInternal when the file cannot be written; the error names it.
[[nodiscard]] Status writePng(const std::filesystem::path& file, const Picture& picture);

}  // namespace rayset
