// What the scan, the template and the surface say about one bone, for the verdict of confidence.h.
#pragma once

#include "bones/bone_surface.h"
#include "bones/confidence.h"
#include "geometry/nearest.h"

namespace rayset::bones {

/// Voxels of metal in the scan, local frame, thinned to one a millimetre; empty where there is none.
[[nodiscard]] Points metalPoints(const ScanImage& scan);

/// Everything of BoneEvidence that is measured on the surface: outline, cut, contrast, noise, metal, strayed, missed.
/// `bent`: the fitted template of the bone, local frame; may be empty. `metal`: of metalPoints(), null where none.
[[nodiscard]] BoneEvidence surfaceEvidence(const ScanImage& scan, const RefinedSurface& refined, const Surface& bent,
                                           const NearestPoints* metal);

}  // namespace rayset::bones
