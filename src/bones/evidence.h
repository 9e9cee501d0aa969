// What the scan, the template and the surface say about one bone, for the verdict of confidence.h.
#pragma once

#include <array>

#include "bones/bone_surface.h"
#include "bones/confidence.h"
#include "geometry/nearest.h"

namespace rayset::bones {

/// Voxels of metal in the scan, local frame, thinned to one a millimetre; empty where there is none.
[[nodiscard]] Points metalPoints(const ScanImage& scan);

/// Length along the longest principal axis, mm; 0 of an empty surface.
[[nodiscard]] double longestExtent(const Surface& surface);

/// Of the five metatarsals the length against what the others suggest, where `usual_mm` are the lengths of a foot of
/// any size. 0 mm: not known. 1 where the bone or all but one of the others are not known.
[[nodiscard]] std::array<double, 5> lengthRatios(const std::array<double, 5>& lengths_mm,
                                                 const std::array<double, 5>& usual_mm);

/// Everything of BoneEvidence that is measured on the surface: outline, cut, contrast, noise, metal, strayed, missed,
/// buried, open_end.
/// `bent`: the fitted template of the bone, local frame; may be empty. `metal`: of metalPoints(), null where none.
[[nodiscard]] BoneEvidence surfaceEvidence(const ScanImage& scan, const RefinedSurface& refined, const Surface& bent,
                                           const NearestPoints* metal);

}  // namespace rayset::bones
