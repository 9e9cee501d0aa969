// Screws and wires in simulated radiographs: exact lengths of rays in solids of revolution, without voxels.
#pragma once

#include <span>
#include <vector>

#include "fixation/catalogue.h"
#include "fixation/construct.h"
#include "xray/projection.h"

namespace rayset {

/// A stretch of a solid of revolution: at s mm along the axis, from <= s <= to, the radius squared is
/// a + b s + c s^2 (a cylinder, a cone or part of a sphere). Not negative there.
struct ProfilePiece {
  double from = 0, to = 0;
  double a = 0, b = 0, c = 0;
};
[[nodiscard]] ProfilePiece cylinderPiece(double from, double to, double radius);
/// A cone or frustum; one radius may be zero. Requires from < to.
[[nodiscard]] ProfilePiece conePiece(double from, double to, double radius_from, double radius_to);
/// The part of a ball round the point `centre` on the axis. Requires the ball to span `from` to `to`.
[[nodiscard]] ProfilePiece spherePiece(double from, double to, double centre, double radius);

/// Pieces that do not overlap, along one axis. Patient frame, mm.
struct MetalSolid {
  Vec3 origin = Vec3::Zero();
  Vec3 axis = Vec3::UnitX();  ///< unit
  std::vector<ProfilePiece> pieces;
};

/// The solid of deviceOutline(). A wire's bayonet point gets round cross-sections of the same area, because the wire's
/// final rotation about its axis is not planned.
[[nodiscard]] MetalSolid metalSolid(const Device& device, const Catalogue& catalogue);

/// Its longest stretch of one radius; nullptr if it has none.
[[nodiscard]] const ProfilePiece* shaftOf(const MetalSolid& solid);

/// The same solid, longer by this many mm (negative: shorter): the longest stretch of one radius is extended and
/// everything beyond it moves out. At least a millimetre of it remains.
[[nodiscard]] MetalSolid lengthened(const MetalSolid& solid, double mm);

/// The solid moved by X.
[[nodiscard]] MetalSolid transformed(const MetalSolid& solid, const Rigid& X);

/// How much of the axis from `entry` to `tip` lies within the solid, 0 to 1.
[[nodiscard]] double shareWithin(const Vec3& entry, const Vec3& tip, const MetalSolid& solid);

/// Length in mm of the line through `origin` along `direction` (unit) within the solid.
[[nodiscard]] double chord(const MetalSolid& solid, const Vec3& origin, const Vec3& direction);

/// Adds per_mm x the length of the ray within each solid to the pixels of its shadow, averaged over `rays` x `rays`
/// rays per pixel. `out`: view.rows x view.columns, row by row. Lengths of solids that overlap add up. The tissue
/// displaced by the metal is not subtracted: if that matters, subtract its attenuation from per_mm. Solids beside or
/// behind the source are left out. Throws std::invalid_argument if `out` has the wrong size.
void addMetal(std::span<const MetalSolid> solids, const ProjectionView& view, float per_mm, std::span<float> out,
              int rays = 3);

}  // namespace rayset
