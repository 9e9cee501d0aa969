// Deforms template bones to fit the edges of the scan: real bones differ from the scaled template by one to three
// millimetres.
#pragma once

#include "bones/articulate.h"

namespace rayset::bones {

/// The deformed template mesh of a bone, local frame.
struct DeformedBone {
  Bone id = Bone::kM1;
  bool found = false;
  Surface mesh;
  std::vector<Vec3> normals;
  double supported = 0;  ///< fraction of the vertices in view with an edge within 0.8 mm facing the same way
  double visible = 0;
};

struct DeformSettings {
  int iterations = 8;
  double start_reach_mm = 3.0, end_reach_mm = 1.2;
  /// Weight of the neighbours' agreement relative to a vertex's own edge.
  double start_stiffness = 30, end_stiffness = 2;
};

/// Displacements towards the edges (only those not owned by another bone), spread smoothly over the mesh where there is
/// no edge; stiffness falls as the reach shrinks.
void deform(DeformedBone& bone, const EdgeField& edges, const std::vector<std::int16_t>& owner, std::int16_t self,
            const ScanImage& scan, const DeformSettings& settings);

/// The template's mesh in this pose, undeformed.
void layOn(const TemplateBone& model, const BonePose& pose, DeformedBone& bone);
[[nodiscard]] std::vector<DeformedBone> posedMeshes(const TemplateFoot& foot, const Articulation& articulation);
/// Like ownersOf(), for deformed meshes.
[[nodiscard]] std::vector<std::int16_t> ownersOf(const std::vector<DeformedBone>& bones, const EdgeField& edges,
                                                 double reach_mm);

}  // namespace rayset::bones
