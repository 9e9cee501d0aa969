// Shaded pictures of bones and devices, ray traced with Embree on the processor.
//
// Parallel projection, smooth normals (creases above 45 degrees stay sharp), one soft key light from above left of the
// viewer, ambient occlusion, and dark lines where one part ends in front of another, so that bones can be told apart in
// greyscale too. Parts with opacity below 1 show only their nearest front and never hide what is behind them. The same
// input gives the same picture on any number of threads.
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
  std::array<float, 3> colour;  ///< linear RGB, 0 to 1 (linearColour() converts screen colours)
  /// Below 1: translucent (ghost of the other state, bones around a device); 0: outline only.
  float opacity = 1;
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
  double occlusion_reach_mm = 14;  ///< anything farther away casts no ambient shadow
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

/// Surfaces prepared once for many pictures (smooth normals, search trees). The surfaces must outlive it unmoved and
/// unchanged. Safe to share between threads.
class PreparedSurfaces {
 public:
  struct Mesh;
  struct Impl;
  /// Null and empty surfaces are skipped.
  explicit PreparedSurfaces(const std::vector<const Surface*>& surfaces);
  ~PreparedSurfaces();
  PreparedSurfaces(const PreparedSurfaces&) = delete;
  PreparedSurfaces& operator=(const PreparedSurfaces&) = delete;

  /// Null if the surface was not among those given.
  [[nodiscard]] const Mesh* find(const Surface* surface) const;
  [[nodiscard]] const Impl& impl() const { return *impl_; }

 private:
  std::unique_ptr<Impl> impl_;
};

[[nodiscard]] Picture render(const std::vector<RenderPart>& parts, const RenderView& view,
                             const RenderSettings& settings = {});
/// The same from prepared surfaces; parts whose surface is not among them are not shown.
[[nodiscard]] Picture render(const std::vector<RenderPart>& parts, const RenderView& view,
                             const RenderSettings& settings, const PreparedSurfaces& prepared);
/// PNG (cairo). Fault::kInternal if the file cannot be written; the error names it.
[[nodiscard]] Status writePng(const std::filesystem::path& file, const Picture& picture);

}  // namespace rayset
