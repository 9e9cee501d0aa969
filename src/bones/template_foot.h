// The procedural foot prepared for fitting: samples, axes and meshes of every bone. It contains no mesh of a real
// person.
#pragma once

#include <array>
#include <vector>

#include "anatomy/bones.h"

namespace rayset::bones {

struct TemplateBone {
  Bone id = Bone::kM1;
  Surface mesh;                        ///< about 1 mm triangles, template frame
  std::vector<Vec3> normals;           ///< of the vertices
  std::vector<OrientedPoint> samples;  ///< spread evenly by area
  std::vector<OrientedPoint> few;      ///< a quick subset
  Vec3 centre = Vec3::Zero();          ///< centroid of the solid
  Mat3 axes = Mat3::Identity();        ///< principal axes of the surface, longest first, right-handed
  double volume_mm3 = 0, area_mm2 = 0;
  double length_mm = 0;  ///< extent along the longest axis
};

struct TemplateFoot {
  Side side = Side::kRight;
  std::vector<TemplateBone> bones;
  Vec3 distal = -Vec3::UnitY(), medial = Vec3::UnitX(), dorsal = Vec3::UnitZ();  ///< template frame
  [[nodiscard]] const TemplateBone* find(Bone bone) const;
  /// Index in `bones`, -1 if absent.
  [[nodiscard]] int index(Bone bone) const;
};

/// Both sides of one foot.
using TemplatePair = std::array<TemplateFoot, 2>;  // [0] right, [1] left

[[nodiscard]] TemplateFoot prepareTemplate(const Foot& foot);
/// The mean procedural foot, built once per process.
[[nodiscard]] const TemplatePair& meanTemplates();

}  // namespace rayset::bones
