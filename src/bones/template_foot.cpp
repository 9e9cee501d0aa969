#include "bones/template_foot.h"

#include <tbb/parallel_for.h>

#include "anatomy/procedural_foot.h"

namespace rayset::bones {

const TemplateBone* TemplateFoot::find(Bone bone) const {
  const int n = index(bone);
  return n < 0 ? nullptr : &bones[static_cast<std::size_t>(n)];
}

int TemplateFoot::index(Bone bone) const {
  for (std::size_t n = 0; n < bones.size(); ++n)
    if (bones[n].id == bone) return static_cast<int>(n);
  return -1;
}

TemplateFoot prepareTemplate(const Foot& foot) {
  TemplateFoot out;
  out.side = foot.side;
  if (foot.side == Side::kLeft) out.medial = -Vec3::UnitX();
  std::vector<const Surface*> surfaces;
  for (const auto& [id, surface] : foot.bones) {
    if (surface.empty()) continue;
    TemplateBone bone;
    bone.id = id;
    out.bones.push_back(bone);
    surfaces.push_back(&surface);
  }
  tbb::parallel_for(std::size_t{0}, surfaces.size(), [&](std::size_t n) {
    TemplateBone& bone = out.bones[n];
    bone.mesh = *surfaces[n];
    bone.normals = vertexNormals(bone.mesh);
    bone.volume_mm3 = volume(bone.mesh);
    bone.area_mm2 = area(bone.mesh);
    bone.centre = centroid(bone.mesh);
    bone.samples = sampleEvenly(bone.mesh, 420, 1);
    bone.few = sampleEvenly(bone.mesh, 140, 2);
    Points points;
    for (const auto& s : bone.samples) points.push_back(s.position);
    const PrincipalAxes axes = principalAxes(points);
    bone.axes = axes.axes;
    if (bone.axes.determinant() < 0) bone.axes.col(2) *= -1;
    double low = 1e9, high = -1e9;
    for (const auto& v : bone.mesh.vertices) {
      const double t = bone.axes.col(0).dot(v - bone.centre);
      low = std::min(low, t), high = std::max(high, t);
    }
    bone.length_mm = high - low;
  });
  return out;
}

const TemplatePair& meanTemplates() {
  static const TemplatePair pair{prepareTemplate(meanProceduralFoot()),
                                 prepareTemplate(mirrored(meanProceduralFoot()))};
  return pair;
}

}  // namespace rayset::bones
