// Evidence about one bone from the scan, the template and the surface, for the verdict in confidence.h.
#pragma once

#include <array>

#include "bones/bone_surface.h"
#include "bones/confidence.h"
#include "geometry/nearest.h"

namespace rayset::bones {

/// Voxels of metal in the scan, local frame, thinned to one per millimetre; empty if there are none.
[[nodiscard]] Points metalPoints(const ScanImage& scan);

/// Length along the longest principal axis, mm; 0 for an empty surface.
[[nodiscard]] double longestExtent(const Surface& surface);

/// The length of each metatarsal relative to what the others suggest; `usual_mm` are the lengths in a foot of any size.
/// Absent if the bone is unknown or fewer than two others are known.
[[nodiscard]] PerRay<double> lengthRatios(const PerRay<double>& lengths_mm, const PerRay<double>& usual_mm);

/// Everything of TemplateEvidence that is measured on the surface: outline, cut, contrast, noise, metal, strayed,
/// missed, buried, open_end. `bent`: the fitted template of the bone, local frame; may be empty. `metal`: from
/// metalPoints(), null if none.
[[nodiscard]] TemplateEvidence surfaceEvidence(const ScanImage& scan, const RefinedSurface& refined,
                                               const Surface& bent, const NearestPoints* metal);

/// Dense bone (mm3) deep inside a labelled bone, more than 3 mm from its border: 30 % brighter than what the brighter
/// half of the bone reaches. Ends and tarsal bones are spongy inside, so dense bone there means the plates of a joint
/// that was missed, and the bone beyond belongs to a neighbour. Shafts, which have thick walls, do not count, nor does
/// anything next to metal. `surface`: the bone's, local frame; `metal`: from metalPoints(), null if none.
[[nodiscard]] double denseInside(const ScanImage& scan, const std::vector<std::uint8_t>& labels, std::uint8_t label,
                                 const Surface& surface, const NearestPoints* metal);

}  // namespace rayset::bones
