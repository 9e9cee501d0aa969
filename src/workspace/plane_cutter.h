// Cutting a surface by planes, again and again: the triangles are kept in compact blocks, so that a cut only examines
// those near the plane. Internal to the workspace.
#pragma once

#include <optional>
#include <vector>

#include "geometry/surface.h"

namespace rayset {

/// Const after construction and safe to share between threads.
class PlaneCutter {
 public:
  /// A line of a cut. The solid lies on its left seen from the normal's side.
  struct Chain {
    Points points;        ///< a closed chain repeats its first point
    Points normals;       ///< outward, of the triangle that points[n] to points[n + 1] lies on
    bool closed = false;  ///< always true if the surface is closed
  };
  struct Near {
    double distance = 0;
    Vec3 position = Vec3::Zero();
  };

  /// The surface is copied.
  explicit PlaneCutter(const Surface& surface);

  [[nodiscard]] const Box& box() const { return box_; }
  /// By the plane through `point` with unit `normal`, in the frame of the surface.
  [[nodiscard]] std::vector<Chain> cut(const Vec3& point, const Vec3& normal) const;
  /// Nearest point within `limit_mm`.
  [[nodiscard]] std::optional<Near> nearest(const Vec3& p, double limit_mm) const;

 private:
  struct Block {
    Vec3 centre, half;
    std::uint32_t first, end;  ///< triangles
  };
  Surface surface_;  ///< triangles in the order of the blocks
  std::vector<Block> blocks_;
  Box box_;
};

}  // namespace rayset
