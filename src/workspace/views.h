// What the page's views are made of: slices that follow a ray or a device, light meshes, simulated films.
#pragma once

#include <cstdint>
#include <map>
#include <string>
#include <vector>

#include "case/case.h"

namespace rayset {

/// Which pose of the foot is shown.
enum class FootState { kInjured, kReduced };

enum class SliceKind {
  kAlong,   ///< along the ray: shaft axis and dorsal direction
  kAcross,  ///< across the ray's joint, seen from distal
  kDrill    ///< across a device, seen along it from the surgeon's side
};

struct SliceRequest {
  SliceKind kind = SliceKind::kAlong;
  int ray = 2;
  std::string device;  ///< kDrill
  FootState state = FootState::kReduced;
  double offset_mm = 0;     ///< kAlong: to medial; kAcross: to distal; kDrill: depth from the entry
  double turn_rad = 0;      ///< kAlong: about the shaft, towards medial
  int width = 400, height = 400;  ///< pixels, 16 to 1024
  double mm_per_pixel = 0.25;
  double thickness_mm = 0;  ///< mean over this; 0: one plane
};

/// A plane of the picture: pixel (column, row) lies at origin + mm_per_pixel (column right + row down), patient frame of
/// the state.
struct Slice {
  int width = 0, height = 0;
  double mm_per_pixel = 0;
  Vec3 origin = Vec3::Zero(), right = Vec3::UnitX(), down = Vec3::UnitY(), normal = Vec3::UnitZ();
  std::vector<std::int16_t> hu;  ///< row by row
  struct Outline {
    std::string body;                              ///< bone, fragment or device id
    std::vector<std::vector<Eigen::Vector2d>> lines;  ///< pixels; closed lines repeat their first point
  };
  std::vector<Outline> outlines;
  std::string left, right_word, top, bottom;  ///< orientation words at the edges
  /// kDrill: from the device's side to the nearest outer cortex in this plane (mm, negative: outside) and where.
  double margin_mm = 0;
  Eigen::Vector2d margin_at = Eigen::Vector2d::Zero();
};

/// Grey values come from the CT; in the reduced state each bone's are carried to where it belongs and what it leaves
/// reads as muscle. kRequest: unknown ray or device, sizes out of range.
[[nodiscard]] Result<Slice> sliceOf(const Case& c, const CtVolume& ct, const SliceRequest& request);

/// A surface with about `edge_mm` long edges, for the screen.
[[nodiscard]] Surface lightMesh(const Surface& surface, double edge_mm = 1.6);

/// A simulated film of the case (8-bit grey PNG in memory).
struct FilmRequest {
  double orbital_deg = 0, tilt_deg = 15;  ///< tube angles as in docs/verify.md
  std::string view;                       ///< a named view in place of the angles; may be empty
  enum class Show { kInjured, kReduced, kMetal } show = Show::kMetal;
  int pixels = 512;
};
/// Keeps the projection volumes of a case between films.
class FilmStudio {
 public:
  explicit FilmStudio(const FootBodies& bodies);
  ~FilmStudio();
  [[nodiscard]] Result<std::vector<std::uint8_t>> film(const Case& c, const FilmRequest& request) const;

 private:
  struct Impl;
  std::unique_ptr<Impl> impl_;
};

}  // namespace rayset
