// The geometry of a radiograph: a point source (the focal spot) and a flat detector; and the named views of the foot.
// Patient frame (LPS), millimetres, radians.
//
// Pixel (0, 0) is the CENTRE of the first pixel; columns grow along `right`, rows along `down`, and the picture is the
// one seen from the tube: `right x down` points along the beam. The scale of a film is true at the detector only; an
// object at distance OID in front of it is magnified by SID / (SID - OID).
#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <utility>

#include "anatomy/bones.h"
#include "geometry/types.h"

namespace rayset {

using Vec2 = Eigen::Vector2d;

/// One exposure. `right` and `down` are unit and perpendicular.
struct ProjectionView {
  Vec3 source = Vec3::Zero();    ///< focal spot
  Vec3 detector = Vec3::Zero();  ///< centre of pixel (0, 0)
  Vec3 right = Vec3::UnitX();
  Vec3 down = Vec3::UnitY();
  double pixel_mm = 0.2;  ///< pitch at the detector, both ways
  int columns = 0, rows = 0;

  /// Unit normal of the detector, along the beam.
  [[nodiscard]] Vec3 normal() const { return right.cross(down); }
  /// Source to image distance: from the source to the detector's plane.
  [[nodiscard]] double sid() const { return (detector - source).dot(normal()); }
  /// The position of (column, row) in space.
  [[nodiscard]] Vec3 place(double column, double row) const {
    return detector + pixel_mm * (column * right + row * down);
  }
  /// (column, row) of the shadow of p. Requires p in front of the source.
  [[nodiscard]] Vec2 project(const Vec3& p) const;
  /// Magnification on the detector of an object at p.
  [[nodiscard]] double magnification(const Vec3& p) const { return sid() / (p - source).dot(normal()); }
  /// The pixel under the foot of the perpendicular from the source (the principal point).
  [[nodiscard]] Vec2 principal() const;
  /// The same exposure with tube and detector moved together: X moves points of the patient frame.
  [[nodiscard]] ProjectionView moved(const Rigid& X) const;
  /// Coarser by a whole number: each new pixel covers factor x factor old ones (leftover pixels at the ends are cut).
  [[nodiscard]] ProjectionView binned(int factor) const;
  /// The part of the detector starting at `column`, `row`.
  [[nodiscard]] ProjectionView cropped(int column, int row, int new_columns, int new_rows) const;
};

/// Directions of the foot as it stands on a plate: the plate's plane touches the heel and the heads of the first and
/// fifth metatarsals. Tube angles are relative to this plate, not to the second ray, which slopes down to it. Without a
/// heel in the field of view the second ray is assumed to slope by kRaySlope.
struct PlantarFrame {
  /// Origin at the base of the third metatarsal, where foot views are centred (common practice, no source); distal
  /// along the second ray seen from above.
  Frame frame;
  double ray_slope_rad = 0;  ///< of the second ray relative to the plate
  bool assumed = false;      ///< no heel or no heads: slope assumed
};
/// 20 degrees: first metatarsal declination (Radiopaedia, "First metatarsal declination angle"); the second's is close.
inline constexpr double kRaySlope = 0.349065850398866;
/// `bones` in the pose to be filmed; `foot` is the plan's foot frame (along the second ray).
[[nodiscard]] PlantarFrame plantarFrame(const BoneSurfaces& bones, const Frame& foot, Side side);

/// Position and distance of the tube. Angles are relative to the plate: all zero looks straight down from dorsal.
struct TubePose {
  double orbital_rad = 0;  ///< about the long axis of the foot; positive: the tube moves laterally
  /// About the transverse axis; positive: the tube moves distally and the beam points towards the heel (caudocranial).
  double tilt_rad = 0;
  double sid_mm = 1016;  ///< 40 inches (teaching slides); a C-arm has about 1000 (common practice, no source)
  double oid_mm = 60;    ///< from the centre of the view to the detector
  double width_mm = 240, height_mm = 300;  ///< of the detector
  double pixel_mm = 0.2;
};
/// The exposure of a tube pose: the central ray goes through the frame's origin and meets the detector's middle at a
/// right angle. Toes point up, unless the beam is within 45 degrees of the transverse axis: then dorsal is up.
/// Fault::kRequest for a distance, size or pixel out of range.
[[nodiscard]] Result<ProjectionView> projectionView(const PlantarFrame& plate, const TubePose& tube);

/// Named views. Dorsoplantar with the tube inclined 10, 15 or 20 degrees; internal (medial) oblique with the foot
/// rolled 30 degrees inwards, so that the tube is on its lateral side; lateral with the beam from medial (mediolateral
/// projection), or from lateral (lateromedial). Sources: teaching pages on radiographic positioning; 30 degrees as in
/// Radiopaedia.
enum class NamedView { kDorsoplantar10, kDorsoplantar15, kDorsoplantar20, kOblique30, kLateral, kLateromedial };
inline constexpr std::array<NamedView, 6> kNamedViews{NamedView::kDorsoplantar10, NamedView::kDorsoplantar15,
                                                      NamedView::kDorsoplantar20, NamedView::kOblique30,
                                                      NamedView::kLateral,        NamedView::kLateromedial};
/// "dorsoplantar-10", ..., "oblique-30", "lateral", "lateromedial".
[[nodiscard]] std::string_view wordOf(NamedView view);
[[nodiscard]] std::optional<NamedView> namedViewFromWord(std::string_view word);
/// "dorsoplantar, tube inclined 20 degrees towards the heel"...
[[nodiscard]] Message nameOf(NamedView view);
[[nodiscard]] TubePose tubePose(NamedView view);
/// Parses a named view, or angles in degrees like "orbital=30,tilt=10" (also sid= and oid=, mm), as typed by a user;
/// returns the view in words as well. Fault::kRequest for anything else.
[[nodiscard]] Result<std::pair<TubePose, Message>> tubeFromWord(const std::string& word);

}  // namespace rayset
