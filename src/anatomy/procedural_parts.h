// The layout of the procedural right foot: its rays and joints, and the solids built on it. Internal to anatomy.
//
// Every joint is one sheet shared by the two bones it separates; both are carved to half the gap from it, so facing
// articular surfaces are congruent whatever the shape. Directions and heights as in `at`: medial, distal, above the
// floor; distal 0 is the second tarsometatarsal joint, medial 0 the axis of the second ray.
#pragma once

#include <array>
#include <utility>
#include <vector>

#include "anatomy/bones.h"
#include "anatomy/procedural_foot.h"
#include "anatomy/procedural_shapes.h"

namespace rayset::procedural {

/// A gently curved surface through `origin`; positive on the side of `normal`.
struct Sheet {
  Vec3 origin = Vec3::Zero(), normal = Vec3::UnitZ();
  Vec3 along1 = Vec3::UnitX(), along2 = Vec3::UnitY();
  double curve1 = 0, curve2 = 0;  ///< 1/(2 radius) along the two tangents; positive: bulges against the normal

  [[nodiscard]] double operator()(const Vec3& p) const {
    const Vec3 r = p - origin;
    const double a = std::clamp(r.dot(along1), -25.0, 25.0), b = std::clamp(r.dot(along2), -25.0, 25.0);
    return normal.dot(r) + curve1 * a * a + curve2 * b * b;
  }
};

struct Layout {
  explicit Layout(const FootShape& shape);

  FootShape shape;
  double gap;                    ///< tarsometatarsal joints, bone to bone, before scaling
  std::array<Axes, 5> ray;       ///< origin at the base's joint centre, distal to the head's centre
  std::array<double, 5> length;  ///< from the base's joint centre to the head's centre
  std::array<Sheet, 5> tmt;      ///< positive distally
  /// Walls between the columns, positive medially: C1|C2 with M1|M2; C2|C3 with M2|M3; C3|Cub with M3|M4; M4|M5.
  std::array<Sheet, 4> wall;
  Sheet cuneonavicular, calcaneocuboid;
  Axes talar_head;
  Vec3 talar_head_half;

  /// The solid of a bone with its surface unevenness (mm) and this person's own shape; `phase` differs between bones.
  [[nodiscard]] Field surfaced(Field solid, double amplitude, double phase) const {
    return uneven(std::move(solid), amplitude, phase, shape.individuality_mm, shape.individuality_phase);
  }
};

/// A bone, or one piece of it: its solid before neighbours carve into it, and its bounding box.
struct Part {
  Bone bone;
  Box box;
  Field solid;
};

/// The ball of a metatarsal head, enlarged by `grown` mm; ray 0 to 4.
[[nodiscard]] Field metatarsalHead(const Layout& plan, std::size_t ray, double grown = 0);
[[nodiscard]] std::vector<Part> metatarsalParts(const Layout& plan);
[[nodiscard]] std::vector<Part> midtarsalParts(const Layout& plan);
[[nodiscard]] std::vector<Part> hindfootParts(const Layout& plan);
[[nodiscard]] std::vector<Part> toeParts(const Layout& plan);

[[nodiscard]] inline Box boxAround(std::initializer_list<Vec3> points, double margin) {
  Box box;
  for (const Vec3& p : points) box.extend(p);
  box.min().array() -= margin;
  box.max().array() += margin;
  return box;
}

}  // namespace rayset::procedural
