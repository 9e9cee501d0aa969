// Closed triangle surfaces and what is measured on them.
#pragma once

#include <array>
#include <cstdint>
#include <filesystem>
#include <span>
#include <vector>

#include "base/result.h"
#include "geometry/types.h"

namespace rayset {

/// A triangle mesh; closed and oriented outward where it bounds a bone. Vertices in mm, patient frame.
struct Surface {
  using Triangle = std::array<std::uint32_t, 3>;
  std::vector<Vec3> vertices;
  std::vector<Triangle> triangles;

  [[nodiscard]] bool empty() const { return triangles.empty(); }
};

/// A point on a surface with its outward unit normal.
struct OrientedPoint {
  Vec3 position;
  Vec3 normal;
};

[[nodiscard]] Surface transformed(const Surface& surface, const Rigid& X);
/// Mirror image in the plane x = 0, with the winding corrected so that normals stay outward. Only here does left become
/// right.
[[nodiscard]] Surface mirrored(const Surface& surface);
/// All parts in one mesh, in order.
[[nodiscard]] Surface merged(const std::vector<const Surface*>& parts);

/// Enclosed volume in mm^3 (divergence theorem); positive when normals point outward.
[[nodiscard]] double volume(const Surface& surface);
[[nodiscard]] double area(const Surface& surface);
/// Centroid of the enclosed solid.
[[nodiscard]] Vec3 centroid(const Surface& surface);
[[nodiscard]] Box bounds(const Surface& surface);
/// Angle-weighted vertex normals, unit length, outward.
[[nodiscard]] std::vector<Vec3> vertexNormals(const Surface& surface);
/// The neighbours of each vertex of a closed surface, each once, in a fixed order.
struct VertexRings {
  std::vector<std::uint32_t> first, ring;  ///< those of vertex v: ring[first[v]] up to ring[first[v + 1]]
  [[nodiscard]] std::span<const std::uint32_t> of(std::size_t v) const {
    return {ring.data() + first[v], ring.data() + first[v + 1]};
  }
};
[[nodiscard]] VertexRings vertexRings(const Surface& surface);
/// True when every edge is shared by exactly two triangles that run along it in opposite directions.
[[nodiscard]] bool isClosed(const Surface& surface);
/// The surface without its flaps: triangles attached by a single edge, which enclose nothing. Vertices are kept.
[[nodiscard]] Surface withoutFlaps(Surface surface);
/// About `count` points spread evenly by area (stratified over the triangles; deterministic per seed), with face
/// normals.
[[nodiscard]] std::vector<OrientedPoint> sampleEvenly(const Surface& surface, std::size_t count,
                                                      std::uint32_t seed = 1);
/// Shrink-free smoothing (Taubin 1995, lambda|mu): `passes` pairs of steps; volume changes by less than a percent.
void smoothTaubin(Surface& surface, int passes, double lambda = 0.5, double mu = -0.53);
/// Connected pieces of the mesh, largest volume first.
[[nodiscard]] std::vector<Surface> pieces(const Surface& surface);
/// Merges vertices within `tolerance_mm` of each other and drops triangles that collapse.
[[nodiscard]] Surface welded(const Surface& surface, double tolerance_mm = 1e-5);

/// Binary or ASCII STL, millimetres; vertices are welded. Errors name the file.
[[nodiscard]] Result<Surface> readStl(const std::filesystem::path& file);
/// Binary STL, millimetres.
[[nodiscard]] Status writeStl(const std::filesystem::path& file, const Surface& surface);

/// Simple solids for tests and devices.
[[nodiscard]] Surface makeSphere(const Vec3& centre, double radius, int subdivisions = 4);
/// Closed cylinder from a to b.
[[nodiscard]] Surface makeCylinder(const Vec3& a, const Vec3& b, double radius, int sides = 32);
[[nodiscard]] Surface makeBox(const Box& box);

}  // namespace rayset
