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
/// any size. Absent where the bone or all but one of the others are not known.
[[nodiscard]] PerRay<double> lengthRatios(const PerRay<double>& lengths_mm, const PerRay<double>& usual_mm);

/// Everything of TemplateEvidence that is measured on the surface: outline, cut, contrast, noise, metal, strayed,
/// missed, buried, open_end. `bent`: the fitted template of the bone, local frame; may be empty. `metal`: of
/// metalPoints(), null where none.
[[nodiscard]] TemplateEvidence surfaceEvidence(const ScanImage& scan, const RefinedSurface& refined,
                                               const Surface& bent, const NearestPoints* metal);

/// Dense bone (mm3) deep inside a labelled bone, more than 3 mm from its border: 30 % brighter than what the brighter
/// half of the bone reaches. Ends and tarsal bones are spongy inside; what is dense there are the plates of a joint
/// that was not seen, and what lies beyond it is a neighbour's. Shafts, which have a thick wall, do not count, nor what
/// lies beside metal. `surface`: the bone's, local frame; `metal`: of metalPoints(), null where none.
[[nodiscard]] double denseInside(const ScanImage& scan, const std::vector<std::uint8_t>& labels, std::uint8_t label,
                                 const Surface& surface, const NearestPoints* metal);

}  // namespace rayset::bones
