// The page's views: slices that follow a ray or a device, light meshes, simulated films.
#pragma once

#include <cstdint>
#include <map>
#include <memory>
#include <string>
#include <vector>

#include "case/case.h"

namespace rayset {

/// Which pose of the foot is shown.
enum class FootState { kInjured, kReduced };

enum class SliceKind {
  kAlong,   ///< along the ray: shaft axis and dorsal direction
  kAcross,  ///< across the ray's joint, seen from the head of the table (looking distally), as the ray board
  kDrill    ///< across a device, seen along it from the surgeon's side
};

struct SliceRequest {
  SliceKind kind = SliceKind::kAlong;
  Ray ray = Ray(2);
  std::string device;  ///< kDrill
  FootState state = FootState::kReduced;
  double offset_mm = 0;           ///< kAlong: to medial; kAcross: to distal; kDrill: depth from the entry; -300 to 300
  double turn_rad = 0;            ///< kAlong: about the shaft, towards medial
  int width = 400, height = 400;  ///< pixels, 16 to 1024
  double mm_per_pixel = 0.25;     ///< 0.02 to 5
  double thickness_mm = 0;        ///< mean over this, planes 0.5 mm apart; 0: one plane; up to 40
};

/// A plane of the picture: pixel (column, row) lies at origin + mm_per_pixel (column right + row down), patient frame
/// of the state (the frame is the same for both states: the tarsus stays).
///
/// kAlong: the shaft axis lies level in the middle, distal to the right, dorsal up (turned by turn_rad); a right foot
/// is then seen from lateral, a left foot from medial. The middle is the centre of the metatarsal's base. kAcross: seen
/// from proximal, dorsal up: medial lies to the left of a right foot's picture, to the right of a left's. kDrill: seen
/// along the device from its entry; up is dorsal, or proximal if the device is within 20 degrees of dorsal. In all
/// three `right` x `down` points away from the viewer.
struct Slice {
  int width = 0, height = 0;
  double mm_per_pixel = 0;
  Vec3 origin = Vec3::Zero(), right = Vec3::UnitX(), down = Vec3::UnitY();
  Vec3 normal = Vec3::UnitZ();   ///< the direction the plane moves in with increasing offset
  std::vector<std::int16_t> hu;  ///< row by row; -1024 outside the scan
  struct Outline {
    std::string body;                                 ///< bone, fragment or device id
    std::vector<std::vector<Eigen::Vector2d>> lines;  ///< pixels; closed lines repeat their first point
  };
  std::vector<Outline> outlines;
  std::string left, right_word, top, bottom;  ///< orientation words at the edges
  /// kDrill: from the device's side to the nearest outer cortex of the bones it goes through in this plane (mm,
  /// negative: outside) and where (pixels). Joint (fracture) faces are no outer cortex.
  bool has_margin = false;  ///< false: another kind of slice, or none of these bones is in this plane
  double margin_mm = 0;
  Eigen::Vector2d margin_at = Eigen::Vector2d::Zero();
};

/// What slices of one case need, prepared once (for each kind of slice, on first use). Const and safe to share between
/// threads.
class Slicer {
 public:
  /// Copies bones as scanned, labels and bodies from `c`. `ct` has to outlive it.
  Slicer(const Case& c, const CtVolume& ct);
  ~Slicer();
  Slicer(const Slicer&) = delete;
  Slicer& operator=(const Slicer&) = delete;

  /// `c`: the same case, with current poses, devices and frame.
  ///
  /// Grey values come from the CT; in the reduced state each bone's values move with it (with its blur, about 1 mm
  /// around it, if denser than its new surroundings), and the place it leaves reads as muscle. Soft tissue does not
  /// move, so a bone may end up in what was air. Toes and sesamoids go with their ray as in xray/bodies.h. kRequest:
  /// unknown device, a ray that was not found, a device in the injured state, sizes out of range.
  [[nodiscard]] Result<Slice> slice(const Case& c, const SliceRequest& request) const;

 private:
  struct Impl;
  std::unique_ptr<Impl> impl_;
};

/// One slice, with nothing kept: Slicer(c, ct).slice(c, request).
[[nodiscard]] Result<Slice> sliceOf(const Case& c, const CtVolume& ct, const SliceRequest& request);

/// A surface with about as many triangles as edges of `edge_mm` would give (fewer where it is flat, more where it is
/// bent; at most kLightTriangles), for the screen: edges are removed one by one, the least important first (quadric
/// error metric, Garland and Heckbert 1997). Closed if `surface` is; small surfaces are left unchanged.
inline constexpr std::size_t kLightTriangles = 10000;
[[nodiscard]] Surface lightMesh(const Surface& surface, double edge_mm = 1.6);

/// A simulated film of the case.
struct FilmRequest {
  double orbital_deg = 0, tilt_deg = 15;  ///< tube angles as in docs/verify.md
  std::string view;                       ///< a named view in place of the angles; may be empty
  enum class Show { kInjured, kReduced, kMetal } show = Show::kMetal;
  int pixels = 512;  ///< width and height, 64 to 2048
};
/// Keeps the projection volumes of a case between films. Safe to share between threads.
class FilmStudio {
 public:
  explicit FilmStudio(const FootBodies& bodies);
  ~FilmStudio();
  FilmStudio(const FilmStudio&) = delete;
  FilmStudio& operator=(const FilmStudio&) = delete;

  /// The picture that `rayset views` makes (same projection, grey scale and metal) as 8-bit grey PNG: pixels x pixels,
  /// the foot in the middle on black, as large as fits; no marks. pHYs gives the pixel size on the detector; at the
  /// joints it is smaller by (SID - OID) / SID. kRequest for an impossible view or angle.
  [[nodiscard]] Result<std::vector<std::uint8_t>> film(const Case& c, const FilmRequest& request) const;

 private:
  struct Impl;
  std::unique_ptr<Impl> impl_;
};

}  // namespace rayset
