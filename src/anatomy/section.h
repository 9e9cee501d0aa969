// Plane sections and slabs of closed surfaces: exact on the triangles, so the density of the mesh does not matter.
#pragma once

#include <cstdint>
#include <vector>

#include "geometry/surface.h"

namespace rayset {

/// The cut of a closed surface by a plane. Loops run with the solid on their left seen from the normal's side.
struct PlaneSection {
  std::vector<Points> loops;     ///< closed polygons (the last point joins the first), in the frame of the surface
  double area_mm2 = 0;           ///< enclosed area, minus holes
  Vec3 centroid = Vec3::Zero();  ///< of the enclosed area; meaningless where area_mm2 is 0

  [[nodiscard]] bool empty() const { return loops.empty(); }
};
/// Section by the plane through `point` with unit `normal`. `loops` omits the open chains of open surfaces.
[[nodiscard]] PlaneSection planeSection(const Surface& surface, const Vec3& point, const Vec3& normal);

/// Many sections of one surface by parallel planes: every section looks only at the triangles near its plane. Gives the
/// same loops, in the same order, as planeSection(). The surface must outlive it.
class SectionStack {
 public:
  SectionStack(const Surface& surface, const Vec3& normal);
  /// Section by the plane of points p with normal . p = height_mm.
  [[nodiscard]] PlaneSection at(double height_mm) const;

 private:
  const Surface& surface_;
  Vec3 normal_;
  std::vector<double> heights_;       // normal . vertex
  double from_ = 0;                   // where the first layer begins
  std::vector<std::uint32_t> first_;  // start of each 1 mm layer in `near_`, and the end
  std::vector<std::uint32_t> near_;   // triangles that reach into the layer, by index
};

/// Area and centroid of the part of the surface (not of the solid) with from <= direction . p <= to.
struct SurfacePart {
  double area_mm2 = 0;
  Vec3 mean = Vec3::Zero();         ///< area-weighted mean of its points
  Vec3 mean_normal = Vec3::Zero();  ///< area-weighted mean of its outward unit normals (not unit)
};
[[nodiscard]] SurfacePart surfaceBetween(const Surface& surface, const Vec3& direction, double from_mm, double to_mm);

/// Smallest and largest direction . p over the surface.
struct Extent {
  double from = 0, to = 0;
  [[nodiscard]] double length() const { return to - from; }
};
[[nodiscard]] Extent extentAlong(const Surface& surface, const Vec3& direction);

/// Height (direction . p) of the surface's lowest point along the unit `direction`, robust against noise on single
/// vertices: around every triangle near the lowest vertex a quadratic height field is fitted to the surface within
/// 3.5 mm (moving least squares), and the lowest fitted height is returned. On clean bones within 0.2 mm of the
/// lowest vertex; under 0.3 mm of noise it moves by about 0.15 mm where a plain minimum moves by 0.4 to 0.7 mm. The
/// highest point is -lowestHeight(surface, -direction). 0 for an empty surface.
[[nodiscard]] double lowestHeight(const Surface& surface, const Vec3& direction);

}  // namespace rayset
